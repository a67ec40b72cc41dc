/* Every chart as a picture: drawn anew at a size for a film or an article, with its heading, legend and caption. */
const WIDE = 1600, EDGE = 48;

function download(canvas, name) {
  const link = make("a", { download: name });
  link.href = canvas.toDataURL("image/png");
  root.dataset.saved = name + " " + canvas.width + "x" + canvas.height + " " + link.href.length;
  link.click();
}
function wrapped(c, text, width) {
  const lines = [];
  text.split(" ").forEach((word) => {
    const last = lines.length - 1;
    if (last >= 0 && c.measureText(lines[last] + " " + word).width <= width) lines[last] += " " + word;
    else lines.push(word);
  });
  return lines;
}
function nameOf(figure) {
  const node = figure.querySelector("svg:not(.swatch) title") || figure.querySelector("figcaption b");
  return node ? node.textContent.replace(/\.$/, "") : "chart";
}
/* An SVG element as an image: its style goes along, since an image knows no page around it. */
function svgImage(svg, width) {
  const copy = svg.cloneNode(true), box = svg.viewBox.baseVal;
  copy.setAttribute("xmlns", "http://www.w3.org/2000/svg");
  copy.setAttribute("width", width);
  copy.setAttribute("height", Math.round(width * box.height / box.width));
  copy.dataset.theme = root.dataset.theme;
  const style = document.createElementNS("http://www.w3.org/2000/svg", "style");
  style.textContent = document.querySelector("head style").textContent;
  copy.prepend(style);
  return new Promise((resolve, reject) => {
    const image = new Image();
    image.onload = () => resolve(image);
    image.onerror = () => reject(new Error("the chart can't be drawn"));
    image.src = "data:image/svg+xml;charset=utf-8," + encodeURIComponent(new XMLSerializer().serializeToString(copy));
  });
}
/* A trace anew, large: the image of a canvas that is never shown. */
function traceImage(id) {
  const node = make("div", { class: "away" }), now = plots.find((p) => p.id === id);
  document.body.append(node);
  const plot = build(id, node, WIDE - 2 * EDGE, id === "trace-power" ? 640 : 520, 2, null);
  plot.setScale("x", { min: now.scales.x.min, max: now.scales.x.max });
  return new Promise((resolve) => setTimeout(() => {
    const canvas = document.createElement("canvas"), from = plot.ctx.canvas;
    canvas.width = from.width;
    canvas.height = from.height;
    canvas.getContext("2d").drawImage(from, 0, 0);
    plot.destroy();
    node.remove();
    resolve(canvas);
  }, 50));
}
async function save(figure) {
  const trace = figure.querySelector(".plot"), svg = figure.querySelector("svg:not(.swatch)");
  const wide = trace ? WIDE - 2 * EDGE : svg.viewBox.baseVal.width > 500 ? WIDE - 2 * EDGE : 1100;
  const picture = trace ? await traceImage(trace.id) : await svgImage(svg, wide);
  const keys = trace ? lines(TRACES[trace.id].kind) : [...figure.querySelectorAll("figcaption .key")].map((k) => ({ label: k.textContent.trim(), name: k.textContent.trim() }));
  const marks = await Promise.all(keys.map((k) => svgImage(swatch(k.label), 84)));
  const caption = [...figure.querySelector("figcaption").childNodes].filter((n) => !(n.classList && (n.classList.contains("key") || n.tagName === "BUTTON"))).map((n) => n.textContent).join("").replace(/\s+/g, " ").trim();
  const canvas = document.createElement("canvas"), c = canvas.getContext("2d");
  const small = '26px system-ui, "Segoe UI", Roboto, Arial, sans-serif';
  c.font = small;
  const lines_of = wrapped(c, caption, WIDE - 2 * EDGE), rows = [[]];
  let x = 0;
  keys.forEach((k, n) => {
    const needed = 110 + c.measureText(k.name).width + 40;
    if (x + needed > WIDE - 2 * EDGE) { rows.push([]); x = 0; }
    rows[rows.length - 1].push([n, x]);
    x += needed;
  });
  const legend = keys.length ? rows.length * 44 : 0;
  canvas.width = WIDE;
  canvas.height = Math.round(EDGE + 56 + legend + picture.height + 24 + 36 * lines_of.length + EDGE);
  c.fillStyle = colour("paper");
  c.fillRect(0, 0, canvas.width, canvas.height);
  c.fillStyle = colour("ink");
  c.textBaseline = "middle";
  c.font = "bold 32px " + small.split("px ")[1];
  wrapped(c, data.title + ": " + nameOf(figure), WIDE - 2 * EDGE).slice(0, 1).forEach((line) => c.fillText(line, EDGE, EDGE + 10));
  c.font = small;
  rows.forEach((row, r) => row.forEach(([n, at]) => {
    const y = EDGE + 70 + 44 * r;
    c.drawImage(marks[n], EDGE + at, y - 18, 84, 36);
    c.fillText(keys[n].name, EDGE + at + 98, y);
  }));
  c.drawImage(picture, Math.round((WIDE - picture.width) / 2), EDGE + 56 + legend);
  c.fillStyle = colour("soft");
  lines_of.forEach((line, k) => c.fillText(line, EDGE, EDGE + 56 + legend + picture.height + 36 + 36 * k));
  download(canvas, (data.title + " " + nameOf(figure)).toLowerCase().replace(/[^\p{L}\p{N}]+/gu, "-").replace(/^-|-$/g, "").slice(0, 80) + ".png");
}
document.querySelectorAll("figure").forEach((figure) => {
  const button = make("button", { type: "button", class: "save" }, "Save picture");
  button.addEventListener("click", () => save(figure));
  figure.querySelector("figcaption").append(button);
});
