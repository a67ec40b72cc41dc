// The largest letters with which 80 columns and 24 rows still fit: the screen is read from a bicycle.
// A letter of a monospaced type is about 0.6 of its size wide and 1.2 high.
"use strict";
// A socket that is closed may say why: how the session ended.
window.WebSocket = class extends window.WebSocket {
  constructor(...args) {
    super(...args);
    this.addEventListener("close", (event) => {
      if (event.reason) document.getElementById("ending").textContent = event.reason;
    });
  }
};
document.addEventListener("DOMContentLoaded", () => {
  const terminal = document.getElementById("terminal");
  const fits = Math.floor(Math.min(window.innerWidth / 80 / 0.61, window.innerHeight / 24 / 1.21));
  terminal.dataset.fontSize = String(Math.max(8, Math.min(40, fits)));
  document.getElementById("again").addEventListener("click", () => window.location.reload());
});
