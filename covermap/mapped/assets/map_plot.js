/* The plot of a cross-section: axes, limits, passes, ground beyond the limits, the line. */
(function () {
  var data = covermap.data;
  var SVG = "http" + "://www.w3.org/2000/svg";

  function make(name, attributes, parent, text) {
    var node = document.createElementNS(SVG, name);
    Object.keys(attributes).forEach(function (key) { node.setAttribute(key, attributes[key]); });
    if (text !== undefined) { node.textContent = text; }
    if (parent) { parent.appendChild(node); }
    return node;
  }

  function niceStep(span, most) {
    var power = Math.pow(10, Math.floor(Math.log10(span / most)));
    return [1, 2, 5, 10].map(function (k) { return k * power; }).find(function (step) {
      return span / step <= most;
    });
  }

  /* Draws a profile: box, raster, values, most, profile, words and show_place. */
  covermap.plot = function (what) {
    var plotBox = what.box;
    var raster = what.raster;
    var values = what.values;
    var most = what.most;
    var profile = what.profile;
    var ratio = raster.kind === "ratio";
    var wide = Math.max(plotBox.clientWidth || 640, 280);
    var high = covermap.narrow ? 150 : 190;
    var box = { left: 64, right: wide - (ratio ? 72 : 12), top: 16, bottom: high - 46 };
    var unit = covermap.unit(raster.kind);
    var lengthUnit = covermap.unit("length");
    var length = profile.distance_m[values.length - 1];
    var top = Math.max(most * 1.06, ratio ? data.limits[1] * 1.15 : 0) * unit[0] || 1;
    function x(distance) { return box.left + (box.right - box.left) * distance / length; }
    function y(shown) { return box.bottom - (box.bottom - box.top) * shown / top; }
    var svg = make("svg", {
      width: wide, height: high, viewBox: "0 0 " + wide + " " + high, role: "img",
      "aria-label": "Profile of " + raster.title.toLowerCase() + ". " + what.words
    });
    var step = niceStep(top, 5);
    for (var v = 0; v <= top; v += step) {
      make("path", { class: "plot-grid", d: "M" + box.left + " " + y(v) + "H" + box.right }, svg);
      make("text", { x: box.left - 5, y: y(v) + 4, "text-anchor": "end" }, svg,
        Number(v.toPrecision(6)).toLocaleString("en"));
    }
    var far = length * lengthUnit[0];
    var stride = niceStep(far, wide < 450 ? 5 : 9);
    for (var d = 0; d <= far; d += stride) {
      var at = x(d / lengthUnit[0]);
      make("path", { class: "plot-axis", d: "M" + at + " " + box.bottom + "v5" }, svg);
      make("text", { x: at, y: box.bottom + 28, "text-anchor": "middle" }, svg,
        Number(d.toPrecision(6)).toLocaleString("en"));
    }
    make("text", { x: (box.left + box.right) / 2, y: high - 3, "text-anchor": "middle" }, svg,
      "distance from start [" + lengthUnit[1] + "]");
    make("text", {
      x: 0, y: 0, "text-anchor": "middle",
      transform: "translate(11 " + (box.top + box.bottom) / 2 + ") rotate(-90)"
    }, svg, raster.kind === "percent" ? "cover [%]" : unit[1] ? "[" + unit[1] + "]" : raster.kind);
    if (ratio) {
      [[data.limits[0], "gap"], [data.limits[1], "double"]].forEach(function (limit) {
        make("path", {
          class: "plot-limit", d: "M" + box.left + " " + y(limit[0]) + "H" + box.right
        }, svg);
        make("text", {
          class: "plot-limit-word", x: box.right + 5, y: y(limit[0]) + 4
        }, svg, limit[1] + " " + limit[0]);
      });
    }
    if (profile.crossings.length) {
      make("text", { x: box.left - 5, y: box.top - 4, "text-anchor": "end" }, svg, "pass");
    }
    profile.crossings.forEach(function (crossing, i) {
      make("path", {
        class: "plot-pass", d: "M" + x(crossing[0]) + " " + box.top + "V" + box.bottom
      }, svg);
      var near = i && x(crossing[0]) - x(profile.crossings[i - 1][0]) < 22;
      if (!near) {
        make("text", {
          class: "plot-pass-word", x: x(crossing[0]), y: box.top - 4, "text-anchor": "middle"
        }, svg, crossing[1]);
      }
    });
    beyond(svg, profile, x, box.bottom + 7);
    var half = profile.distance_m[1] / 2;
    var path = "";
    var before = null;
    values.forEach(function (value, i) {
      if (value !== null) {
        var from = x(Math.max(0, profile.distance_m[i] - half));
        var to = x(Math.min(length, profile.distance_m[i] + half));
        path += (before === null ? "M" : "L") + from.toFixed(1) + " " +
          y(value * unit[0]).toFixed(1) + "H" + to.toFixed(1);
      }
      before = value;
    });
    make("path", { class: "plot-line", d: path }, svg);
    make("path", {
      class: "plot-axis", d: "M" + box.left + " " + box.top + "V" + box.bottom + "H" + box.right
    }, svg);
    plotBox.replaceChildren(svg);
    svg.addEventListener("pointermove", function (event) {
      var part = (event.clientX - svg.getBoundingClientRect().left - box.left) /
        (box.right - box.left);
      what.show_place(Math.min(1, Math.max(0, part)));
    });
    svg.addEventListener("pointerleave", function () { what.show_place(null); });
  };

  /* Ground beyond the limits, under the axis, in the hatches of the strips. */
  function beyond(svg, profile, x, top) {
    var ratios = profile.values.spread_ratio;
    var from = null;
    var kind = "";
    function end(i) {
      if (kind) {
        var left = x(profile.distance_m[from]);
        make("rect", {
          class: "plot-" + kind, x: left, y: top, height: 8,
          width: Math.max(1, x(profile.distance_m[i]) - left),
          fill: "url(#" + kind + "-hatch)"
        }, svg);
      }
    }
    ratios.forEach(function (ratio, i) {
      var now = ratio === null ? "" : ratio < data.limits[0] ? "gap"
        : ratio > data.limits[1] ? "double" : "";
      if (now !== kind) { end(i); from = i; kind = now; }
    });
    end(ratios.length - 1);
  }
}());
