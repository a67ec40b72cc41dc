const data = JSON.parse(document.getElementById("data").textContent);
const root = document.documentElement;
const end = data.n * data.step;

/* A time of the session: 4:05, from an hour on 1:04:05. */
function clock(s) {
  s = Math.max(0, Math.round(s));
  const two = (n) => String(n).padStart(2, "0");
  const m = Math.floor(s / 60);
  return m < 60 ? m + ":" + two(s % 60) : Math.floor(m / 60) + ":" + two(m % 60) + ":" + two(s % 60);
}
/* Seconds of a time as the page writes it, or as bare seconds; NaN if it is neither. */
function seconds(text) {
  if (!/^\s*\d+(:\d{1,2}){0,2}(\.\d+)?\s*$/.test(text)) return NaN;
  return text.trim().split(":").reduce((sum, part) => 60 * sum + Number(part), 0);
}
/* A number with so many decimals, a real minus sign, and no sign for nought. */
function number(value, digits, sign) {
  if (value == null || !isFinite(value)) return "–";
  let text = value.toFixed(digits);
  if (Number(text) === 0) text = text.replace("-", "");
  else if (sign && value > 0) text = "+" + text;
  return text.replace("-", "−");
}
function colour(name) { return getComputedStyle(root).getPropertyValue("--" + name).trim(); }
function look(label) { return data.looks[label]; }
function make(name, attributes, text) {
  const node = document.createElement(name);
  Object.entries(attributes || {}).forEach(([key, value]) => node.setAttribute(key, value));
  if (text != null) node.textContent = text;
  return node;
}
function swatch(label) {
  const own = document.querySelector('template[data-swatch="' + label + '"]');
  return own.content.firstElementChild.cloneNode(true);
}
