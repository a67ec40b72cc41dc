/* What is selected by dragging over a trace, or by two times: a table of that stretch, to copy or to keep. */
const from_input = document.getElementById("from"), to_input = document.getElementById("to");
const name_input = document.getElementById("stretch-name"), panel = document.getElementById("selected");
let chosen = null;

function selected(u) {
  if (u.select.width < 2) return;
  choose(u.posToVal(u.select.left, "x"), u.posToVal(u.select.left + u.select.width, "x"));
}
function redrawSelection() {
  selecting = true;
  plots.forEach((p) => {
    if (!chosen) { p.setSelect({ left: 0, width: 0, top: 0, height: 0 }, false); return; }
    const low = p.scales.x.min, high = p.scales.x.max;
    const at = (t) => p.valToPos(Math.min(Math.max(t, low), high), "x");
    const left = at(chosen[0]);
    p.setSelect({ left: left, width: at(chosen[1]) - left, top: 0, height: p.over.clientHeight }, false);
  });
  selecting = false;
}
function choose(a, b) {
  if (!data.rows || !Object.keys(data.rows).length) return;
  const low = Math.max(0, Math.round(Math.min(a, b))), high = Math.min(data.n, Math.round(Math.max(a, b)));
  if (!(high > low)) return;
  chosen = [low, high];
  from_input.value = clock(low);
  to_input.value = clock(high);
  root.dataset.selected = low + " " + high;
  redrawSelection();
  tell();
}
const VERDICTS = { agrees: "✓ agrees", differs: "✗ differs", undecided: "? can’t tell yet" };
function cellsOf(row, short) {
  const d = row.difference, m = row.means;
  const verdict = row.label === data.reference ? "● the reference" : !d ? "–" : short ? "too short" : VERDICTS[d.verdict];
  const sure = !d ? "–" : number(d.deviation_percent, 2, true) + (short ? "" : " ± " + (d.u95_percent == null ? "?" : number(d.u95_percent, 2)));
  return [row.label, verdict, sure, number(d && d.limit_percent, 2), number(m.power_w, 1), number(m.left_w, 1), number(m.right_w, 1),
    number(d && d.delta_w, 1, true), number(d && d.delta_percent, 2, true), number(d && d.left_delta_w, 1, true), number(d && d.right_delta_w, 1, true)];
}
const HEADS = ["Instrument", "Verdict", "Deviation %", "Limit %", "Mean W", "Left W", "Right W", "Difference W", "Difference %", "Left difference W", "Right difference W"];
function remarks(short) {
  const found = [];
  if (short) found.push("Shorter than " + SHORT_S + " s: too short for ±.");
  Object.entries(data.pairs).forEach(([label, pair]) => {
    const inside = pair.cuts.filter((t) => t >= chosen[0] + LEAST_S && t <= chosen[1] - LEAST_S);
    if (inside.length) found.push(label + " changed at " + inside.map(clock).join(", ") + ": select each side of it to read them apart.");
  });
  return found;
}
function tell() {
  const rows = stretch(chosen[0], chosen[1]), short = chosen[1] - chosen[0] < SHORT_S;
  const body = panel.querySelector("tbody");
  body.replaceChildren(...rows.map((row) => {
    const line = make("tr"), d = row.difference;
    cellsOf(row, short).forEach((text, k) => {
      const cell = k ? make("td", {}, text) : make("th", { scope: "row" }, text);
      if (k === 1) cell.className = "t v " + (d && !short ? d.verdict : "none");
      line.append(cell);
    });
    line.dataset.numbers = JSON.stringify(row);
    return line;
  }));
  panel.hidden = false;
  panel.querySelector(".span").textContent = clock(chosen[0]) + " to " + clock(chosen[1]) + ", " + clock(chosen[1] - chosen[0]) + " long";
  panel.querySelector(".remarks").textContent = remarks(short).join(" ");
  command();
}
/* A name is kept to letters, digits and plain signs, so that the line can be pasted into any shell. */
function command() {
  const name = name_input.value.replace(/[^\p{L}\p{N} ._-]/gu, "").trim();
  const what = clock(chosen[0]) + "-" + clock(chosen[1]) + (name ? "=" + name : "");
  const line = "plumbwatt study " + data.session + " --stretch " + (/ /.test(what) ? '"' + what + '"' : what);
  panel.querySelector("code").textContent = line;
  return line;
}
function asText() {
  const short = chosen[1] - chosen[0] < SHORT_S;
  const rows = [HEADS].concat(stretch(chosen[0], chosen[1]).map((row) => cellsOf(row, short)));
  const lines = rows.map((cells) => cells.join("\t"));
  return [data.title + ", " + panel.querySelector(".span").textContent].concat(lines, remarks(short)).join("\n") + "\n";
}
/* Without the clipboard's leave a field that is selected for a moment serves as well. */
function copy(text, button) {
  const done = () => {
    const before = button.textContent;
    button.textContent = "copied";
    setTimeout(() => { button.textContent = before; }, 1500);
  };
  root.dataset.copied = text;
  const old = () => {
    const field = make("textarea", { class: "away" });
    field.value = text;
    document.body.append(field);
    field.select();
    if (document.execCommand("copy")) done();
    field.remove();
  };
  if (navigator.clipboard) navigator.clipboard.writeText(text).then(done, old); else old();
}
if (panel) {
  [from_input, to_input].forEach((input) => input.addEventListener("change", () => {
    const a = seconds(from_input.value), b = seconds(to_input.value);
    if (isFinite(a) && isFinite(b)) choose(a, b);
  }));
  name_input.addEventListener("input", () => { if (chosen) command(); });
  panel.querySelector("[data-copy=text]").addEventListener("click", (e) => copy(asText(), e.target));
  panel.querySelector("[data-copy=command]").addEventListener("click", (e) => copy(command(), e.target));
  panel.querySelector("[data-do=zoom]").addEventListener("click", () => { show(chosen[0], chosen[1], null); });
  panel.querySelector("[data-do=clear]").addEventListener("click", () => {
    chosen = null;
    panel.hidden = true;
    delete root.dataset.selected;
    redrawSelection();
  });
}
