const plots = [];
let smooth_s = Math.max(10, data.step), syncing = false, selecting = false;
const narrow = () => window.innerWidth < 640;
const large = () => root.dataset.type === "large";
let on_paper = false;
const time = Array.from({ length: data.n }, (_, k) => k * data.step);

/* Running sums of the values that are known, and how many are. */
function running(values) {
  const sum = new Float64Array(data.n + 1), count = new Float64Array(data.n + 1);
  for (let k = 0; k < data.n; k++) {
    const good = values[k] != null;
    sum[k + 1] = sum[k] + (good ? values[k] : 0);
    count[k + 1] = count[k] + (good ? 1 : 0);
  }
  return [sum, count];
}
/* What a window of the smoothing around each point holds; cut at the ends and at changes, of which a mean
   over both sides would be true of neither. null with a fifth of it unknown. */
function windowed(width, cuts, pick) {
  const half = Math.floor(width / 2);
  let part = 0;
  return time.map((_, k) => {
    while (part < cuts.length && cuts[part] <= k) part++;
    const from = Math.max(part ? cuts[part - 1] : 0, k - half);
    const to = Math.min(part < cuts.length ? cuts[part] : data.n, k + half + width % 2);
    return pick(from, to, 0.8 * Math.max(to - from, Math.ceil(width / 2)));
  });
}
function smoothed(values) {
  const width = Math.max(1, Math.round(smooth_s / data.step)), [sum, count] = running(values);
  return windowed(width, [], (a, b, least) => {
    const n = count[b] - count[a];
    return n >= least ? (sum[b] - sum[a]) / n : null;
  });
}
/* Percent by which work differs over the window. */
function deviating(label, own, theirs, per_w, least_w) {
  const width = Math.max(1, Math.round(smooth_s / data.step));
  const both = own.map((v, k) => v != null && theirs[k] != null);
  const [a] = running(own.map((v, k) => both[k] ? v / per_w : null));
  const [b, count] = running(theirs.map((v, k) => both[k] ? v / per_w : null));
  return windowed(width, data.changes[label] || [], (from, to, least) => {
    const n = count[to] - count[from], base = b[to] - b[from];
    return n >= least && base >= least_w * n ? 100 * ((a[to] - a[from]) / base - 1) : null;
  });
}
function compared(label, name) {
  const thin = data.thin[label];
  if (thin) return thin[name] && [thin[name], thin[name + "_reference"], 1];
  const pair = data.pairs[label], theirs = pair && pair[name === "own" ? "reference_w" : name + "_reference"];
  return pair && pair[name] && theirs != null && [pair[name], data.series[theirs], PER_W];
}
/* One line of a trace: whose it is, its own name, and its values as they are smoothed now. */
function lines(kind) {
  const found = [];
  data.labels.forEach((label) => {
    if (data[kind] && data[kind][label]) found.push({ label: label, name: label, of: () => smoothed(data[kind][label]) });
    if (kind === "deviation") {
      const two = compared(label, "own");
      if (two) found.push({ label: label, name: label, of: () => deviating(label, ...two, 30) });
    }
    if (kind === "sides") ["left", "right"].forEach((side) => {
      const two = compared(label, side);
      if (two) found.push({ label: label, name: label + " " + side[0].toUpperCase(), right: side === "right", of: () => deviating(label, ...two, 10) });
    });
  });
  return found;
}
const TRACES = {
  "trace-power": { kind: "power", axis: "power, W", unit: "W", names: true, height: 300 },
  "trace-difference": { kind: "deviation", axis: "deviation, %", unit: "%", limits: true, even: true, height: 220 },
  "trace-sides": { kind: "sides", axis: "deviation, %", unit: "%", even: true, height: 220 },
  "trace-left": { kind: "left", axis: "left side, W", unit: "W", height: 200 },
  "trace-right": { kind: "right", axis: "right side, W", unit: "W", height: 200 },
  "trace-cadence": { kind: "cadence", axis: "cadence, rpm", unit: "rpm", height: 200 },
};
function faded(hex, alpha) {
  const n = parseInt(hex.slice(1), 16);
  return "rgba(" + (n >> 16) + "," + ((n >> 8) & 255) + "," + (n & 255) + "," + alpha + ")";
}
function behind(u, names, limits, size) {
  const c = u.ctx, box = u.bbox, r = devicePixelRatio, low = u.scales.x.min, high = u.scales.x.max;
  const at = (t) => u.valToPos(Math.min(Math.max(t, low), high), "x", true);
  c.save();
  c.beginPath(); c.rect(box.left, box.top, box.width, box.height); c.clip();
  c.textAlign = "left";
  data.segments.forEach((s, k) => {
    if (s.to < low || s.from > high) return;
    const a = at(s.from);
    if (k % 2 === 0) { c.fillStyle = faded(colour("soft"), 0.1); c.fillRect(a, box.top, at(s.to) - a, box.height); }
    if (!names) return;
    c.fillStyle = colour("soft");
    c.font = 11 * r * size + "px sans-serif";
    c.textBaseline = "top";
    // Names stand on three lines in turn, so each has room until the third segment after its own.
    const third = data.segments[k + 3], room = at(third ? third.from : high) - a - 6 * r;
    const wide = c.measureText(s.name).width, fitting = Math.floor(s.name.length * room / wide) - 1;
    const name = wide <= room ? s.name : fitting > 0 ? s.name.slice(0, fitting) + "…" : "";
    c.fillText(name, a + 3 * r, box.top + (2 + (k % 3) * 12 * size) * r);
  });
  const line = (y) => { c.beginPath(); c.moveTo(box.left, y); c.lineTo(box.left + box.width, y); c.stroke(); };
  if (limits) Object.keys(data.limits).forEach((label) => {
    const y = [data.limits[label], -data.limits[label]].map((v) => u.valToPos(v, "y", true));
    c.fillStyle = faded(colour("band"), 0.12);
    c.fillRect(box.left, y[0], box.width, y[1] - y[0]);
    c.strokeStyle = faded(colour(look(label).key), 0.7);
    c.lineWidth = r;
    c.setLineDash([4 * r, 4 * r]);
    y.forEach(line);
  });
  if (u.scales.y.min < 0) {
    c.setLineDash([]); c.strokeStyle = colour("ink"); c.lineWidth = r;
    line(u.valToPos(0, "y", true));
  }
  c.restore();
}
function above(u) {
  const c = u.ctx, box = u.bbox, r = devicePixelRatio, y = box.top + box.height;
  c.save();
  data.marks.forEach((m) => {
    if (m.t < u.scales.x.min || m.t > u.scales.x.max) return;
    const x = Math.round(u.valToPos(m.t, "x", true)), act = m.sign === "act", change = m.sign === "change";
    c.strokeStyle = c.fillStyle = colour(act ? "soft" : "bad");
    c.globalAlpha = 0.75; c.lineWidth = r;
    c.setLineDash(act ? [2 * r, 3 * r] : change ? [6 * r, 3 * r] : []);
    c.beginPath(); c.moveTo(x, box.top); c.lineTo(x, y); c.stroke();
    c.setLineDash([]);
    c.beginPath();
    if (act) c.rect(x - 3 * r, y - 6 * r, 6 * r, 6 * r);
    else [[0, -9], [change ? 4 : 5, change ? -4.5 : 0], [0, 0], [change ? -4 : -5, change ? -4.5 : 0]]
      .forEach((p) => c.lineTo(x + p[0] * r, y + p[1] * r));
    c.closePath(); c.fill();
  });
  c.restore();
}
function zoomAll(from, low, high) {
  if (syncing) return;
  syncing = true;
  plots.forEach((p) => { if (p !== from) p.setScale("x", { min: low, max: high }); });
  syncing = false;
  root.dataset.shown = low + " " + high;
  if (typeof redrawSelection === "function") redrawSelection();
}
/* An even range around nought in which one spike does not flatten the rest. */
function evenRange(found) {
  const limits = Object.values(data.limits);
  let top = 2.2 * Math.max(...limits, 1);
  found.forEach((values) => {
    const sizes = values.filter((v) => v != null).map(Math.abs).sort((a, b) => a - b);
    if (sizes.length) top = Math.max(top, 1.15 * sizes[Math.floor(0.99 * (sizes.length - 1))]);
  });
  return Math.min(top, 60);
}
function values(series, reach) {
  const found = series.map((s) => s.of());
  if (reach) reach.top = evenRange(found);
  return [time].concat(found);
}
function build(id, node, width, height, size, keys) {
  const own = TRACES[id], series = lines(own.kind); /* the widest lines first, below the others */
  if (!series.length) return null;
  const reach = own.even ? { top: 4 } : null, columns = values(series, reach);
  const font = 12 * size + 'px system-ui, "Segoe UI", Roboto, Arial, sans-serif';
  const axis = { stroke: () => colour("ink"), font: font, grid: { stroke: () => colour("rule"), width: 1 }, ticks: { stroke: () => colour("rule") } };
  const plot = new uPlot({
    width: width, height: height, legend: { show: false },
    cursor: { show: !!keys, sync: { key: "bench", setSeries: false }, drag: { x: true, y: false, setScale: false }, focus: { prox: 24 } },
    scales: { x: { time: false }, y: reach ? { range: () => [-reach.top, reach.top] } : {} },
    axes: [
      { ...axis, values: (u, v) => v.map(clock), space: 60 * size, size: 30 * size + 8, labelFont: font,
        label: "time in the session, min:s", labelSize: 18 * size, incrs: [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200] },
      { ...axis, values: (u, v) => v.map((x) => String(x).replace("-", "−")), label: own.axis, labelFont: font, size: 46 * size, labelSize: 20 * size, space: 28 * size },
    ],
    series: [{}].concat(series.map((s) => ({
      label: s.name, stroke: () => colour(look(s.label).key), width: look(s.label).width * (s.right ? 0.7 : 1) * Math.sqrt(size),
      dash: s.right ? [3, 3] : look(s.label).dash.map((d) => d * size), points: { show: false },
    }))),
    hooks: {
      drawClear: [(u) => behind(u, own.names, own.limits, size)],
      draw: [above],
      setScale: [(u, key) => { if (key === "x" && plots.includes(u)) zoomAll(u, u.scales.x.min, u.scales.x.max); }],
      setSelect: [(u) => { if (plots.includes(u) && !selecting) selected(u); }],
      setCursor: [(u) => { if (keys) keys(u, series, own.unit); }],
    },
  }, columns, node);
  plot.again = () => {
    plot.setData(values(series, reach), false);
    plot.redraw();
  };
  return plot;
}
/* The legend of a trace, with the value under the cursor. */
function legendOf(id) {
  const list = make("ul", { class: "legend" }), shown = {};
  lines(TRACES[id].kind).forEach((s) => {
    const item = make("li"), value = make("span", { class: "value" });
    item.append(swatch(s.label), " " + s.name + (s.right ? " (thin, dashed) " : " "), value);
    shown[s.name] = value;
    list.append(item);
  });
  const at = make("li", { class: "value" });
  list.append(at);
  return [list, (u, series, unit) => {
    const k = u.cursor.idx;
    at.textContent = k == null ? "" : "at " + clock(time[k]);
    series.forEach((s, n) => {
      const v = k == null ? null : u.data[n + 1][k];
      shown[s.name].textContent = k == null ? "" : number(v, 1, unit === "%") + " " + unit;
    });
  }];
}
function heightOf(id) { return Math.round(TRACES[id].height * (on_paper ? 0.5 : large() ? 1.5 : narrow() ? 0.8 : 1)); }
function sizeNow() { return on_paper ? 0.72 : large() ? 1.5 : 1; }
function draw() {
  const shown = plots.length ? plots[0].scales.x : null, range = shown && [shown.min, shown.max];
  plots.splice(0).forEach((p) => p.destroy());
  Object.keys(TRACES).forEach((id) => {
    const node = document.getElementById(id);
    if (!node) return;
    if (!lines(TRACES[id].kind).length) { node.parentNode.hidden = true; return; }
    const [list, keys] = legendOf(id);
    node.replaceChildren(list);
    const plot = build(id, node, on_paper ? 710 : Math.max(260, node.clientWidth), heightOf(id), sizeNow(), keys);
    plot.id = id;
    plots.push(plot);
    // A double click shows all again; what is selected stays selected.
    plot.over.addEventListener("dblclick", () => setTimeout(redrawSelection));
    node.dataset.drawn = "yes";
  });
  root.dataset.plots = String(plots.length);
  if (range) show(range[0], range[1], document.querySelector("[data-zoom][aria-pressed=true]"));
}
function show(low, high, button) {
  syncing = true;
  plots.forEach((p) => p.setScale("x", { min: low, max: high }));
  syncing = false;
  root.dataset.shown = low + " " + high;
  document.querySelectorAll("[data-zoom]").forEach((b) => b.setAttribute("aria-pressed", String(b === button)));
  redrawSelection();
}
document.querySelectorAll("[data-zoom]").forEach((button) => button.addEventListener("click", () => {
  if (button.dataset.zoom === "all") { show(0, end, button); return; }
  const s = data.segments[Number(button.dataset.zoom)], air = 0.05 * (s.to - s.from) + 2;
  show(Math.max(0, s.from - air), Math.min(end, s.to + air), button);
}));
function smoothing(s) {
  smooth_s = s;
  tellSmoothing();
  syncing = true;
  plots.forEach((p) => p.again());
  syncing = false;
  redrawSelection();
}
function tellSmoothing() {
  const s = smooth_s;
  document.querySelectorAll("[data-smooth]").forEach((b) => b.setAttribute("aria-pressed", String(Number(b.dataset.smooth) === s)));
  document.querySelectorAll(".smoothed").forEach((node) => { node.textContent = s + " s"; });
}
document.querySelectorAll("[data-smooth]").forEach((button) => {
  const s = Number(button.dataset.smooth);
  button.disabled = s < data.step;
  button.addEventListener("click", () => smoothing(s));
});
function fit() {
  plots.forEach((p) => p.setSize({ width: Math.max(260, p.root.parentNode.clientWidth), height: heightOf(p.id) }));
  redrawSelection();
}
let waiting = null;
window.addEventListener("resize", () => { clearTimeout(waiting); waiting = setTimeout(() => { if (!on_paper) fit(); }, 100); });
