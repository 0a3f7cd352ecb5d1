/* Passes, strips, zones and arrows on the map that folium made, their cards, the legend. */
(function () {
  var data = covermap.data;
  var map = covermap.map;
  var narrow = covermap.narrow;
  var card = covermap.element("field-card");
  var legend = covermap.element("legend");
  var groups = {};
  ["outline", "passes", "gap", "double", "causes", "wind", "zones"].forEach(function (name) {
    groups[name] = window["feature_group_" + name];
  });
  covermap.chosen = "spread_ratio";
  covermap.groups = groups;

  covermap.rowsAsText = function (rows) {
    return rows.map(function (row) {
      return [data.labels[row[0]], covermap.units === "us" && row[2] ? row[2] : row[1]];
    });
  };

  /* Everything a person typed goes in as text, never as markup. */
  function featureCard(rows) {
    var table = document.createElement("table");
    table.className = "feature-card";
    covermap.rowsAsText(rows).forEach(function (row) {
      var line = table.insertRow();
      var label = document.createElement("th");
      label.scope = "row";
      label.textContent = row[0];
      line.appendChild(label);
      line.insertCell().textContent = row[1];
    });
    return table;
  }

  function draw(shape, className, group, interactive) {
    var layer = L.geoJSON(shape, {
      interactive: interactive,
      smoothFactor: 0.7,
      style: { className: className }
    });
    return layer.addTo(group);
  }

  function explain(layer, rows) {
    function content() { return featureCard(rows); }
    layer.bindTooltip(content, { sticky: true, direction: "auto" });
    layer.bindPopup(content, {
      minWidth: 250,
      maxWidth: 340,
      autoPanPaddingTopLeft: narrow ? [10, 110] : [card.offsetWidth + 25, 60],
      autoPanPaddingBottomRight: [20, 40]
    });
    layer.on("popupopen", function () { layer.closeTooltip(); });
    /* Some browsers would stop at every line on the way to the next control; for the
       keyboard there is the list under More. */
    layer.eachLayer(function (part) {
      function passOver() { part.getElement().setAttribute("tabindex", "-1"); }
      if (part.getElement && part.getElement()) { passOver(); }
      part.on("add", passOver);
    });
    return layer;
  }

  function letter(code, ink, at, group) {
    L.marker(at, {
      interactive: false,
      keyboard: false,
      icon: L.divIcon({ className: "zone-code " + ink, html: "", iconSize: [26, 18] })
    }).on("add", function (event) {
      event.target.getElement().textContent = code;
    }).addTo(group);
  }

  /* Groups are filled off the map: nothing is drawn before the view is known. */
  var shownFirst = Object.keys(groups).filter(function (name) {
    return groups[name] && map.hasLayer(groups[name]);
  });
  shownFirst.forEach(function (name) { map.removeLayer(groups[name]); });

  /* One path for the white lines below all strips of a kind. */
  function halos(kind) {
    var parts = [];
    data.strips.forEach(function (one) {
      if (one.kind === kind) {
        var polygons = one.shape.coordinates;
        parts = parts.concat(one.shape.type === "Polygon" ? [polygons] : polygons);
      }
    });
    if (parts.length) {
      draw({ type: "MultiPolygon", coordinates: parts }, "strip-halo", groups[kind], false);
    }
  }
  halos("gap");
  halos("double");

  /* Leaflet writes colours as attributes, which the style sheet's classes override. */
  data.outline.forEach(function (shape) {
    draw(shape, "field-outline", groups.outline, false);
  });
  data.passes.forEach(function (one) { draw(one.shape, "pass-halo", groups.passes, false); });
  covermap.passes = data.passes.map(function (one) {
    draw(one.shape, "pass-line", groups.passes, false);
    return explain(draw(one.shape, "pass-reach", groups.passes, true), one.rows);
  });
  covermap.strips = data.strips.map(function (one) {
    var group = groups[one.kind === "gap" ? "gap" : "double"];
    return explain(draw(one.shape, one.kind === "gap" ? "gap-strip" : "double-strip", group, true),
      one.rows);
  });

  /* Letters and outline: a zone or cause reads without colour too. White around a cause's ink
     shows on any colour of the raster. */
  data.strips.forEach(function (one) {
    var sign = data.causes[one.cause];
    if (!sign || !groups.causes) { return; }
    draw(one.shape, "cause-halo", groups.causes, false);
    var layer = draw(one.shape, "zone cause", groups.causes, true);
    layer.setStyle({ fillColor: sign[0] });
    explain(layer, one.rows);
    var inside = one.inside.coordinates[0];
    letter(one.cause, sign[1] === "#ffffff" ? "of-strip light" : "of-strip",
      L.latLng(inside[1], inside[0]), groups.causes);
  });
  data.wind.forEach(function (one) {
    draw(one.shape, "wind-halo", groups.wind, false);
    explain(draw(one.shape, "wind-arrow", groups.wind, true), one.rows);
  });
  data.zones.forEach(function (one) {
    var layer = draw(one.shape, "zone", groups.zones, true);
    layer.setStyle({ fillColor: "url(#" + one.sign + "-hatch)" });
    explain(layer, one.rows);
    layer.eachLayer(function (part) {
      letter(one.code, "", part.getBounds().getCenter(), groups.zones);
    });
  });

  /* Where strips are a few pixels wide, they are drawn without hatch and letter. */
  function lookFromFar() {
    var metres = map.distance(map.containerPointToLatLng([0, 0]),
      map.containerPointToLatLng([0, 10]));
    map.getContainer().classList.toggle("far", metres / 10 > 0.9);
  }
  map.on("zoomend", lookFromFar);

  /* Strips lie above causes and zones, arrows above strips, whichever came last. */
  function raiseStrips() {
    [groups.zones, groups.causes, groups.gap, groups.double, groups.wind].forEach(
      function (group) {
        if (group && map.hasLayer(group)) { group.bringToFront(); }
      });
  }

  function place(id, position) {
    var control = L.control({ position: position });
    control.onAdd = function () {
      var box = covermap.element(id);
      L.DomUtil.addClass(box, "leaflet-control");
      L.DomEvent.disableClickPropagation(box);
      L.DomEvent.disableScrollPropagation(box);
      return box;
    };
    return control.addTo(map);
  }
  place("legend", "bottomright");
  L.control.zoom({ position: "bottomleft" }).addTo(map);
  var scale = null;
  var north = null;
  function setScale() {
    if (scale) {
      var arrow = north.getContainer();
      scale.remove();
      north.remove();
      document.body.appendChild(arrow);
    }
    var us = covermap.units === "us";
    scale = L.control.scale({ metric: !us, imperial: us, maxWidth: 140 }).addTo(map);
    north = place("north", "bottomleft");
  }
  setScale();
  covermap.onUnits(function () {
    setScale();
    map.eachLayer(function (layer) {
      if (layer instanceof L.Popup && layer.isOpen()) { layer.update(); }
    });
  });

  map.on("baselayerchange", function (event) {
    covermap.chosen = data.rasters.find(function (raster) {
      return raster.title === event.name;
    }).name;
    document.querySelectorAll("#legend [data-layer]").forEach(function (part) {
      part.hidden = part.getAttribute("data-layer") !== covermap.chosen;
    });
    map.fire("covermap:layer");
  });
  /* Brings a strip or pass into view with its card. */
  covermap.show = function (layer, group) {
    if (!map.hasLayer(group)) { map.addLayer(group); }
    if (narrow) { card.open = false; covermap.element("tools").open = false; }
    map.fitBounds(layer.getBounds(), { animate: false, maxZoom: 19, padding: [60, 60] });
    layer.openPopup(layer.getBounds().getCenter());
  };
  covermap.showStrip = function (number) {
    covermap.show(covermap.strips[number],
      groups[data.strips[number].kind === "gap" ? "gap" : "double"]);
  };
  card.querySelectorAll("[data-strip]").forEach(function (button) {
    button.addEventListener("click", function () {
      covermap.showStrip(Number(button.getAttribute("data-strip")));
    });
  });

  function foldLayers() {
    layer_control_switch.remove();
    layer_control_switch.options.collapsed = true;
    layer_control_switch.addTo(map);
  }
  if (narrow) {
    card.open = false;
    covermap.element("tools").open = false;
    foldLayers();
  }

  var bounds = groups.outline.getLayers().length
    ? groups.outline.getBounds() : L.latLngBounds(data.bounds);
  /* An arrow begins and ends outside the field at times. */
  if (data.wind.length) {
    bounds = L.latLngBounds(bounds.getSouthWest(), bounds.getNorthEast())
      .extend(groups.wind.getBounds());
  }
  covermap.bounds = bounds;

  var GAP = 14;
  function edges(element) { return element.getBoundingClientRect(); }
  function layerPanel() { return layer_control_switch.getContainer(); }

  /* Panels make room for each other: the card ends above the north arrow, and where the
     layer switch and the legend would meet, the legend folds first. */
  var legendByHand = false;
  legend.querySelector("summary").addEventListener("click", function () { legendByHand = true; });
  function settlePanels() {
    if (!legendByHand) { legend.open = true; }
    card.style.maxHeight = Math.max(
      60, edges(covermap.element("north")).top - edges(card).top - 10) + "px";
    function meet() { return edges(layerPanel()).bottom > edges(legend).top - 4; }
    if (meet() && !legendByHand) { legend.open = false; }
    if (meet() && !layer_control_switch.options.collapsed) { foldLayers(); }
  }

  /* The first view leaves free what the panels cover, as far as there is room. */
  function fitField() {
    settlePanels();
    var size = map.getSize();
    var left = GAP, right = GAP, top = GAP, bottom = GAP;
    var tools = edges(covermap.element("tools"));
    if (narrow) {
      top = Math.max(tools.bottom, edges(layerPanel()).bottom) + GAP;
      bottom = size.y - Math.min(edges(legend).top, edges(covermap.element("north")).top) + GAP;
    } else {
      left = edges(card).right + GAP;
      right = size.x - Math.min(edges(legend).left, edges(layerPanel()).left) + GAP;
      top = tools.bottom + GAP;
    }
    if (size.x - left - right < 120) { left = right = GAP; }
    if (size.y - top - bottom < 120) { top = bottom = GAP; }
    map.fitBounds(bounds, {
      animate: false, paddingTopLeft: [left, top], paddingBottomRight: [right, bottom]
    });
  }
  fitField();
  shownFirst.forEach(function (name) { map.addLayer(groups[name]); });
  map.on("overlayadd overlayremove", function () {
    raiseStrips();
    document.querySelectorAll("#legend [data-shape]").forEach(function (part) {
      part.hidden = !map.hasLayer(groups[part.getAttribute("data-shape")]);
    });
    settlePanels();
  });

  /* A turned phone shows the whole field again, but not once someone has looked closer. */
  lookFromFar();
  map.on("resize", fitField);
  map.on("resize", settlePanels);
  ["pointerdown", "wheel", "keydown"].forEach(function (kind) {
    document.addEventListener(kind, function () { map.off("resize", fitField); }, { once: true });
  });
}());
