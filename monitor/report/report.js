"use strict";
(function () {
  var data = JSON.parse(document.getElementById("data").textContent);
  var colours = data.colours, dashes = data.dashes;
  var end = data.t.length * data.step;
  var plots = [];

  function clock(s) {
    s = Math.round(s);
    var h = Math.floor(s / 3600), m = Math.floor(s / 60) % 60, r = s % 60;
    var two = function (n) { return (n < 10 ? "0" : "") + n; };
    return h ? h + ":" + two(m) + ":" + two(r) : m + ":" + two(r);
  }
  function colourOf(label) { return colours[data.all.indexOf(label) % colours.length]; }
  function dashOf(label) {
    var d = dashes[data.all.indexOf(label) % dashes.length];
    return d ? d.split(" ").map(Number) : null;
  }
  function alphaed(hex, alpha) {
    var n = parseInt(hex.slice(1), 16);
    return "rgba(" + (n >> 16) + "," + ((n >> 8) & 255) + "," + (n & 255) + "," + alpha + ")";
  }
  function behind(u, names, limits) {
    var c = u.ctx, box = u.bbox, low = u.scales.x.min, high = u.scales.x.max;
    c.save();
    c.beginPath();
    c.rect(box.left, box.top, box.width, box.height);
    c.clip();
    data.segments.forEach(function (s, k) {
      if (s.to < low || s.from > high) return;
      var a = u.valToPos(Math.max(s.from, low), "x", true), b = u.valToPos(Math.min(s.to, high), "x", true);
      if (k % 2 === 0) {
        c.fillStyle = "rgba(90,100,110,0.09)";
        c.fillRect(a, box.top, b - a, box.height);
      }
      if (names) {
        c.fillStyle = "#4a4a4a";
        c.font = 11 * devicePixelRatio + "px sans-serif";
        c.textBaseline = "top";
        // Names stand on three lines in turn, so each has room until the third segment after its own.
        var third = data.segments[k + 3];
        var room = u.valToPos(third ? Math.min(third.from, high) : high, "x", true) - a - 6 * devicePixelRatio;
        var name = s.name, wide = c.measureText(name).width;
        if (wide > room) {
          var fitting = Math.floor(name.length * room / wide) - 1;
          name = fitting > 0 ? name.slice(0, fitting) + "…" : "";
        }
        c.fillText(name, a + 3 * devicePixelRatio, box.top + 2 + (k % 3) * 12 * devicePixelRatio);
      }
    });
    if (limits) {
      Object.keys(limits).forEach(function (label) {
        var y0 = u.valToPos(limits[label], "y", true), y1 = u.valToPos(-limits[label], "y", true);
        c.fillStyle = alphaed(colourOf(label), 0.09);
        c.fillRect(box.left, y0, box.width, y1 - y0);
        c.strokeStyle = alphaed(colourOf(label), 0.7);
        c.setLineDash([4 * devicePixelRatio, 4 * devicePixelRatio]);
        [y0, y1].forEach(function (y) {
          c.beginPath(); c.moveTo(box.left, y); c.lineTo(box.left + box.width, y); c.stroke();
        });
      });
      c.setLineDash([]);
      c.strokeStyle = "#1a1a1a";
      var zero = u.valToPos(0, "y", true);
      c.beginPath(); c.moveTo(box.left, zero); c.lineTo(box.left + box.width, zero); c.stroke();
    }
    c.restore();
  }
  function above(u, signs) {
    var c = u.ctx, box = u.bbox, r = devicePixelRatio;
    c.save();
    data.marks.forEach(function (m) {
      if (m.t < u.scales.x.min || m.t > u.scales.x.max) return;
      var x = Math.round(u.valToPos(m.t, "x", true)), y = box.top + box.height;
      c.strokeStyle = c.fillStyle = m.sign === "act" ? "#4a4a4a" : m.sign === "change" ? "#8a3c76" : "#8f2f00";
      c.lineWidth = r;
      c.setLineDash(m.sign === "act" ? [2 * r, 3 * r] : []);
      c.beginPath(); c.moveTo(x, box.top); c.lineTo(x, y); c.stroke();
      if (signs) {
        c.setLineDash([]);
        c.beginPath();
        if (m.sign === "act") { c.rect(x - 3 * r, y - 6 * r, 6 * r, 6 * r); }
        else if (m.sign === "change") {
          c.moveTo(x, y - 9 * r); c.lineTo(x + 4 * r, y - 4.5 * r); c.lineTo(x, y); c.lineTo(x - 4 * r, y - 4.5 * r);
        } else { c.moveTo(x, y - 9 * r); c.lineTo(x + 5 * r, y); c.lineTo(x - 5 * r, y); }
        c.closePath(); c.fill();
      }
    });
    c.restore();
  }
  var syncing = false;
  function zoomAll(from, low, high) {
    if (syncing) return;
    syncing = true;
    plots.forEach(function (p) { if (p !== from) p.setScale("x", { min: low, max: high }); });
    syncing = false;
    document.documentElement.setAttribute("data-shown", low + " " + high);
  }
  function make(id, series, unit, options) {
    var node = document.getElementById(id);
    var labels = data.all.filter(function (label) { return series[label]; });
    if (!node) return;
    if (!labels.length) { node.parentNode.hidden = true; return; }
    var columns = [data.t].concat(labels.map(function (label) { return series[label]; }));
    var height = options.height || 220;
    var plot = new uPlot({
      width: Math.max(260, node.clientWidth),
      height: height,
      cursor: { sync: { key: "bench", setSeries: false }, drag: { x: true, y: false, uni: 10 }, focus: { prox: 24 } },
      scales: { x: { time: false }, y: options.range ? { range: options.range } : {} },
      axes: [
        { values: function (u, v) { return v.map(clock); }, stroke: "#1a1a1a", grid: { stroke: "#e3e3e3" },
          incrs: [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200] },
        { label: unit, stroke: "#1a1a1a", grid: { stroke: "#e3e3e3" }, size: 56, labelSize: 18 }
      ],
      series: [{ label: "time", value: function (u, v) { return v == null ? "–" : clock(v); } }].concat(
        labels.map(function (label) {
          return {
            label: label, stroke: colourOf(label), dash: dashOf(label), width: 1.5, points: { show: false },
            value: function (u, v) { return v == null ? "–" : (options.sign && v > 0 ? "+" : "") + v.toFixed(1) + " " + unit; }
          };
        })),
      hooks: {
        drawClear: [function (u) { behind(u, options.names, options.limits); }],
        draw: [function (u) { above(u, options.names); }],
        setScale: [function (u, key) { if (key === "x" && plots.indexOf(u) >= 0) zoomAll(u, u.scales.x.min, u.scales.x.max); }]
      }
    }, columns, node);
    plots.push(plot);
    node.setAttribute("data-drawn", "yes");
  }
  function most(series, least) {
    var top = least;
    Object.keys(series).forEach(function (label) {
      var values = series[label].filter(function (v) { return v != null; }).map(Math.abs).sort(function (a, b) { return a - b; });
      if (values.length) top = Math.max(top, values[Math.floor(0.99 * (values.length - 1))]);
    });
    return top;
  }
  var narrow = window.innerWidth < 640;
  make("trace-power", data.power, "W", { names: true, height: narrow ? 220 : 300 });
  var widest = 0;
  Object.keys(data.limits).forEach(function (label) { widest = Math.max(widest, data.limits[label]); });
  var reach = Math.min(1.2 * most(data.difference, 2.2 * widest || 4), 60);
  make("trace-difference", data.difference, "%", { limits: data.limits, sign: true, range: function () { return [-reach, reach]; } });
  make("trace-left", data.left, "%", { height: 170 });
  make("trace-cadence", data.cadence, "rpm", { height: 170 });

  function show(low, high, button) {
    plots.forEach(function (p) { syncing = true; p.setScale("x", { min: low, max: high }); syncing = false; });
    document.documentElement.setAttribute("data-shown", low + " " + high);
    document.querySelectorAll("[data-zoom]").forEach(function (b) { b.setAttribute("aria-pressed", b === button ? "true" : "false"); });
  }
  document.querySelectorAll("[data-zoom]").forEach(function (button) {
    button.addEventListener("click", function () {
      var which = button.getAttribute("data-zoom");
      if (which === "all") return show(data.t[0] || 0, end, button);
      var s = data.segments[Number(which)], air = 0.05 * (s.to - s.from) + 2;
      show(Math.max(0, s.from - air), Math.min(end, s.to + air), button);
    });
  });
  function fit(width) {
    plots.forEach(function (p) { p.setSize({ width: width || Math.max(260, p.root.parentNode.clientWidth), height: p.height }); });
  }
  var waiting = null;
  window.addEventListener("resize", function () { clearTimeout(waiting); waiting = setTimeout(function () { fit(0); }, 100); });
  window.addEventListener("beforeprint", function () { fit(690); });
  window.addEventListener("afterprint", function () { fit(0); });
  document.documentElement.setAttribute("data-plots", String(plots.length));
})();
