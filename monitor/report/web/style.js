/* Light or dark, plain or large: as the system says until a button is pressed. */
const system_dark = window.matchMedia("(prefers-color-scheme: dark)");
function themed(dark) {
  root.dataset.theme = dark ? "dark" : "light";
  document.querySelector("[data-do=dark]").setAttribute("aria-pressed", String(dark));
  plots.forEach((p) => p.redraw(false));
}
document.querySelector("[data-do=dark]").addEventListener("click", () => themed(root.dataset.theme !== "dark"));
system_dark.addEventListener("change", (e) => themed(e.matches));
document.querySelector("[data-do=large]").addEventListener("click", (e) => {
  if (large()) delete root.dataset.type; else root.dataset.type = "large";
  e.target.setAttribute("aria-pressed", String(large()));
  draw();
});
document.querySelectorAll(".switches").forEach((node) => { node.hidden = false; });
themed(system_dark.matches);
draw();
tellSmoothing();

/* On paper: light, all opened, traces low, in small type and as wide as the paper. */
let before_print = null;
window.addEventListener("beforeprint", () => {
  before_print = [root.dataset.theme, [...document.querySelectorAll("details:not([open])")]];
  root.dataset.theme = "light";
  before_print[1].forEach((d) => { d.open = true; });
  on_paper = true;
  draw();
});
window.addEventListener("afterprint", () => {
  root.dataset.theme = before_print[0];
  before_print[1].forEach((d) => { d.open = false; });
  on_paper = false;
  draw();
});
