/* The page's data, and every number of it as text in the units chosen. */
var covermap = {
  data: JSON.parse(document.getElementById("map-data").textContent),
  map: map_field,
  narrow: window.matchMedia("(max-width: 700px)").matches,
  element: function (id) { return document.getElementById(id); }
};

(function () {
  var heard = [];
  covermap.units = covermap.data.opens_with;

  function grouped(value, decimals) {
    return value.toLocaleString("en", {
      minimumFractionDigits: decimals, maximumFractionDigits: decimals
    });
  }

  /* Factor from the page's unit, name and decimals of a kind of quantity. */
  covermap.unit = function (kind) {
    return {
      percent: [1, "%", 0], ratio: [1, "", 2], count: [1, "", 0]
    }[kind] || covermap.data.units[covermap.units][kind];
  };

  covermap.text = function (kind, value, decimals) {
    if (value === null || !isFinite(value)) { return "–"; }
    var unit = covermap.unit(kind);
    var number = grouped(value * unit[0], decimals === undefined ? unit[2] : decimals);
    return unit[1] ? number + "\u00a0" + unit[1] : number;
  };

  /* An error with two digits at most: "±0.03". */
  covermap.errorText = function (kind, error) {
    var size = error * covermap.unit(kind)[0];
    if (!(size > 0)) { return ""; }
    return "\u00a0±" + (size >= 10 ? grouped(size, 0) : String(Number(size.toPrecision(1))));
  };

  /* Positions come as steps from one to the next in millionths of a degree. */
  function degrees(packed) {
    if (Array.isArray(packed[0])) { return packed.map(degrees); }
    var points = [];
    var lon = 0;
    var lat = 0;
    for (var i = 0; i < packed.length; i += 2) {
      lon += packed[i];
      lat += packed[i + 1];
      points.push([lon / 1e6, lat / 1e6]);
    }
    return points;
  }
  function unpackShape(shape) { shape.coordinates = degrees(shape.coordinates); }
  covermap.data.outline.forEach(unpackShape);
  ["passes", "strips", "wind", "zones"].forEach(function (kind) {
    covermap.data[kind].forEach(function (one) {
      unpackShape(one.shape);
      if (one.inside) { unpackShape(one.inside); }
    });
  });

  covermap.onUnits = function (listener) { heard.push(listener); };

  covermap.setUnits = function (name) {
    covermap.units = name;
    document.body.setAttribute("data-units", name);
    heard.forEach(function (listener) { listener(); });
  };

  document.querySelectorAll("input[name=units]").forEach(function (button) {
    button.checked = button.value === covermap.units;
    button.addEventListener("change", function () {
      if (button.checked) { covermap.setUnits(button.value); }
    });
  });
}());
