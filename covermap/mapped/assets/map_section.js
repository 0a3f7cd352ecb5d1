/* The profile along a line across the passes: two clicks, a drag, coordinates or a button. */
(function () {
  var data = covermap.data;
  var map = covermap.map;
  var panel = covermap.element("section");
  var button = covermap.element("section-button");
  var words = covermap.element("section-words");
  var plotBox = covermap.element("section-plot");
  var tableBox = covermap.element("section-table");
  var container = map.getContainer();
  var marks = L.layerGroup();
  var ends = [];
  var drawing = false;
  var pressedAt = null;
  var profile = null;
  var MOST_ROWS = 40;

  function lineOn(latlngs) {
    marks.clearLayers();
    L.polyline(latlngs, { className: "section-halo", interactive: false }).addTo(marks);
    L.polyline(latlngs, { className: "section-line", interactive: false }).addTo(marks);
    var eastward = latlngs[1].lng >= latlngs[0].lng;
    latlngs.forEach(function (latlng, i) {
      L.circleMarker(latlng, { className: "section-end", radius: 4, interactive: false })
        .bindTooltip(i ? "end" : "start", {
          permanent: true, direction: (i === 1) === eastward ? "right" : "left"
        })
        .addTo(marks);
    });
  }

  function start() {
    drawing = true;
    ends = [];
    pressedAt = null;
    profile = null;
    marks.clearLayers();
    plotBox.replaceChildren();
    tableBox.replaceChildren();
    words.textContent = "Click two places on the map, or drag from one to the other. Esc ends it.";
    container.classList.add("measuring");
    map.dragging.disable();
    map.doubleClickZoom.disable();
  }

  function stopDrawing() {
    drawing = false;
    container.classList.remove("measuring");
    map.dragging.enable();
    map.doubleClickZoom.enable();
  }

  function open() {
    panel.hidden = false;
    button.setAttribute("aria-expanded", "true");
    marks.addTo(map);
    if (covermap.narrow) {
      covermap.element("tools").open = false;
      covermap.element("legend").open = false;
    }
    map.closePopup();
    start();
  }

  covermap.closeSection = function () {
    if (panel.hidden) { return false; }
    stopDrawing();
    panel.hidden = true;
    button.setAttribute("aria-expanded", "false");
    marks.remove();
    button.focus();
    return true;
  };

  /* Readings a cell apart or a little closer, each that of the cell that holds it. */
  covermap.section = function (from, to) {
    var a = covermap.toGrid(from);
    var b = covermap.toGrid(to);
    var length = Math.hypot(b[0] - a[0], b[1] - a[1]);
    var steps = Math.max(1, Math.ceil(length - 1e-9));
    var found = { distance_m: [], values: {}, crossings: crossings(a, b, length) };
    Object.keys(covermap.rasters).forEach(function (name) { found.values[name] = []; });
    for (var i = 0; i <= steps; i += 1) {
      var part = i / steps;
      var at = [a[0] + part * (b[0] - a[0]), a[1] + part * (b[1] - a[1])];
      found.distance_m.push(part * length * data.grid.cell_m);
      Object.keys(found.values).forEach(function (name) {
        found.values[name].push(covermap.valueAt(name, at));
      });
    }
    return found;
  };

  /* Where passes cross the line: distance from its start and number of the pass. */
  function crossings(a, b, length) {
    var found = [];
    data.passes.forEach(function (one) {
      one.on_grid = one.on_grid || linesOf(one.shape).map(function (points) {
        return points.map(function (lonlat) {
          return covermap.toGrid(L.latLng(lonlat[1], lonlat[0]));
        });
      });
      one.on_grid.forEach(function (points) {
        for (var i = 1; i < points.length; i += 1) {
          var p = points[i - 1], q = points[i];
          var dx = b[0] - a[0], dy = b[1] - a[1], ex = q[0] - p[0], ey = q[1] - p[1];
          var turn = dx * ey - dy * ex;
          if (turn === 0) { continue; }
          var t = ((p[0] - a[0]) * ey - (p[1] - a[1]) * ex) / turn;
          var u = ((p[0] - a[0]) * dy - (p[1] - a[1]) * dx) / turn;
          if (t >= 0 && t <= 1 && u >= 0 && u < 1) {
            found.push([t * length * data.grid.cell_m, one.name]);
          }
        }
      });
    });
    return found.sort(function (one, other) { return one[0] - other[0]; });
  }

  function linesOf(shape) {
    return shape.type === "LineString" ? [shape.coordinates] : shape.coordinates;
  }

  covermap.drawSection = function (from, to) {
    if (map.distance(from, to) < data.grid.cell_m) {
      words.textContent = "The two ends are one cell; choose two places further apart.";
      return;
    }
    stopDrawing();
    ends = [from, to];
    lineOn(ends);
    covermap.element("section-start").value = from.lat.toFixed(6) + ", " + from.lng.toFixed(6);
    covermap.element("section-end").value = to.lat.toFixed(6) + ", " + to.lng.toFixed(6);
    covermap.ready.then(function () {
      profile = covermap.section(from, to);
      show();
      uncover();
    });
  };

  /* The panel must not lie on the line. */
  function uncover() {
    var lowest = Math.max.apply(null, ends.map(function (end) {
      return map.latLngToContainerPoint(end).y;
    }));
    var hidden = lowest + 30 - panel.getBoundingClientRect().top;
    if (hidden > 0) { map.panBy([0, hidden], { animate: false }); }
  }

  /* A line that nobody drew on the map is brought into view. */
  function drawInView(from, to) {
    covermap.drawSection(from, to);
    map.fitBounds(L.latLngBounds([from, to]), {
      animate: false, maxZoom: 19, paddingTopLeft: [60, 60],
      paddingBottomRight: [60, Math.min(panel.offsetHeight + 60, map.getSize().y / 2)]
    });
    covermap.ready.then(uncover);
  }

  function show() {
    if (!profile || panel.hidden) { return; }
    var raster = covermap.rasters[covermap.chosen];
    if (!raster) { return; }
    var values = profile.values[raster.name];
    var known = values.filter(function (value) { return value !== null; });
    covermap.element("section-title").textContent = "Cross-section: " + raster.title.toLowerCase();
    if (!known.length) {
      words.textContent = "The line meets no ground with a value in this layer.";
      plotBox.replaceChildren();
      tableBox.replaceChildren();
      return;
    }
    var total = known.reduce(function (sum, value) { return sum + value; }, 0);
    words.textContent = covermap.text("length", profile.distance_m[values.length - 1]) +
      ", " + profile.crossings.length + (profile.crossings.length === 1 ? " pass" : " passes") +
      " crossed; mean " + covermap.text(raster.kind, total / known.length) +
      ", least " + covermap.text(raster.kind, Math.min.apply(null, known)) +
      ", most " + covermap.text(raster.kind, Math.max.apply(null, known)) + ".";
    covermap.plot({
      box: plotBox, raster: raster, values: values, most: Math.max.apply(null, known),
      profile: profile, words: words.textContent, show_place: showPlace
    });
    table(raster, values);
  }

  /* The place on the map of a part of the line, from 0 to 1; null for none. */
  var spot = null;
  function showPlace(part) {
    if (spot) { spot.remove(); spot = null; }
    if (part === null) { return; }
    var at = L.latLng(ends[0].lat + part * (ends[1].lat - ends[0].lat),
      ends[0].lng + part * (ends[1].lng - ends[0].lng));
    spot = L.circleMarker(at, { className: "section-spot", radius: 7, interactive: false })
      .addTo(marks);
    covermap.readout(at);
  }

  function table(raster, values) {
    var rows = document.createElement("table");
    rows.className = "section-numbers";
    var every = Math.ceil(values.length / MOST_ROWS);
    rows.createCaption().textContent = raster.title + " along the line" +
      (every > 1 ? ", every " + every + " readings" : "");
    var head = rows.createTHead().insertRow();
    [["Distance", "length"], ["Value", raster.kind]].forEach(function (column) {
      var cell = document.createElement("th");
      var unit = covermap.unit(column[1])[1];
      cell.scope = "col";
      cell.textContent = column[0] + (unit ? " [" + unit + "]" : "");
      head.appendChild(cell);
    });
    var body = rows.createTBody();
    for (var i = 0; i < values.length; i += every) {
      var line = body.insertRow();
      line.insertCell().textContent = covermap.text("length", profile.distance_m[i]);
      line.insertCell().textContent = covermap.text(raster.kind, values[i]);
    }
    tableBox.replaceChildren(rows);
  }

  function chosenEnd(latlng) {
    if (ends.length === 0) {
      ends = [latlng];
      words.textContent = "Now the other end.";
    } else if (map.distance(ends[0], latlng) >= data.grid.cell_m) {
      covermap.drawSection(ends[0], latlng);
    }
  }

  map.on("mousedown", function (event) {
    if (drawing) { pressedAt = event; }
  });
  map.on("mousemove", function (event) {
    if (!drawing) { return; }
    var from = ends[0] || (pressedAt && pressedAt.latlng);
    if (from) { lineOn([from, event.latlng]); }
  });
  map.on("mouseup", function (event) {
    if (!drawing || !pressedAt) { return; }
    var dragged = event.containerPoint.distanceTo(pressedAt.containerPoint) > 8;
    if (dragged && ends.length === 0) { covermap.drawSection(pressedAt.latlng, event.latlng); }
    pressedAt = null;
  });
  map.on("click", function (event) {
    if (drawing) { chosenEnd(event.latlng); }
  });
  map.on("covermap:layer resize", show);
  covermap.onUnits(show);

  button.addEventListener("click", function () {
    if (panel.hidden) { open(); } else { covermap.closeSection(); }
  });
  covermap.element("section-again").addEventListener("click", start);
  covermap.element("section-close").addEventListener("click", covermap.closeSection);
  var middle = covermap.element("section-middle");
  middle.disabled = !data.middle_section;
  middle.addEventListener("click", function () {
    drawInView(L.latLng(data.middle_section[0]), L.latLng(data.middle_section[1]));
  });

  function latLngOf(text) {
    var parts = text.trim().split(/[\s,;]+/).map(Number);
    return parts.length === 2 && Math.abs(parts[0]) <= 85 && Math.abs(parts[1]) <= 180
      ? L.latLng(parts[0], parts[1]) : null;
  }
  covermap.element("section-form").addEventListener("submit", function (event) {
    event.preventDefault();
    var from = latLngOf(covermap.element("section-start").value);
    var to = latLngOf(covermap.element("section-end").value);
    if (from && to) { drawInView(from, to); } else {
      words.textContent = "Write each end as latitude, longitude in degrees, such as 49.46, -27.9.";
    }
  });
}());
