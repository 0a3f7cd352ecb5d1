/* Draws passes, strips and outline on the map that folium made, and keeps the legend true. */
(function () {
  "use strict";
  var data = JSON.parse(document.getElementById("map-data").textContent);
  var map = map_field;
  var narrow = window.matchMedia("(max-width: 700px)").matches;
  var card = document.getElementById("field-card");
  var legend = document.getElementById("legend");
  var GAP = 14;

  /* Everything a person typed goes in as text, never as markup. */
  function featureCard(rows) {
    var table = document.createElement("table");
    table.className = "feature-card";
    rows.forEach(function (row) {
      var line = table.insertRow();
      var label = document.createElement("th");
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
    layer.bindTooltip(featureCard(rows), { sticky: true, direction: "auto" });
    layer.bindPopup(featureCard(rows), {
      minWidth: 250,
      maxWidth: 340,
      autoPanPaddingTopLeft: narrow ? [10, 70] : [card.offsetWidth + 25, 20],
      autoPanPaddingBottomRight: [20, 20]
    });
    layer.on("popupopen", function () { layer.closeTooltip(); });
  }

  /* Leaflet writes colours as attributes, which the style sheet's classes override. */
  data.outline.forEach(function (shape) {
    draw(shape, "field-outline", feature_group_outline, false);
  });
  data.passes.forEach(function (one) {
    draw(one.shape, "pass-halo", feature_group_passes, false);
  });
  data.passes.forEach(function (one) {
    draw(one.shape, "pass-line", feature_group_passes, false);
    explain(draw(one.shape, "pass-reach", feature_group_passes, true), one.rows);
  });
  var strips = data.strips.map(function (one) {
    var gap = one.kind === "gap";
    var group = gap ? feature_group_gap : feature_group_double;
    draw(one.shape, "strip-halo", group, false);
    var layer = draw(one.shape, gap ? "gap-strip" : "double-strip", group, true);
    explain(layer, one.rows);
    return layer;
  });

  var groups = [feature_group_gap, feature_group_double];
  data.wind.forEach(function (one) {
    draw(one.shape, "wind-halo", feature_group_wind, false);
    explain(draw(one.shape, "wind-arrow", feature_group_wind, true), one.rows);
  });
  if (data.wind.length) { groups.push(feature_group_wind); }

  /* Colour, letter and outline: a zone reads without colour too. */
  data.zones.forEach(function (one) {
    var layer = draw(one.shape, "zone", feature_group_zones, true);
    layer.setStyle({ fillColor: one.colour });
    explain(layer, one.rows);
    layer.eachLayer(function (part) {
      L.marker(part.getCenter ? part.getBounds().getCenter() : part.getLatLng(), {
        interactive: false,
        keyboard: false,
        icon: L.divIcon({ className: "zone-code", html: "", iconSize: [18, 18] })
      }).on("add", function (event) {
        event.target.getElement().textContent = one.code;
      }).addTo(feature_group_zones);
    });
  });

  /* Strips lie above passes and arrows above strips, whichever was switched on last. */
  function raiseStrips() {
    groups.forEach(function (group) {
      if (map.hasLayer(group)) { group.bringToFront(); }
    });
  }
  map.on("overlayadd", raiseStrips);

  function place(id, position) {
    var control = L.control({ position: position });
    control.onAdd = function () {
      var box = document.getElementById(id);
      L.DomUtil.addClass(box, "leaflet-control");
      L.DomEvent.disableClickPropagation(box);
      L.DomEvent.disableScrollPropagation(box);
      return box;
    };
    return control.addTo(map);
  }
  place("legend", "bottomright");
  L.control.zoom({ position: "bottomleft" }).addTo(map);
  L.control.scale({ metric: !data.us_units, imperial: data.us_units, maxWidth: 140 }).addTo(map);
  place("north", "bottomleft");

  map.on("baselayerchange", function (event) {
    var wanted = data.layers[event.name];
    document.querySelectorAll("#legend [data-layer]").forEach(function (part) {
      part.hidden = part.getAttribute("data-layer") !== wanted;
    });
  });

  function foldLayers() {
    layer_control_switch.remove();
    layer_control_switch.options.collapsed = true;
    layer_control_switch.addTo(map);
  }
  if (narrow) {
    card.open = false;
    foldLayers();
  }
  card.querySelectorAll("[data-strip]").forEach(function (button) {
    button.addEventListener("click", function () {
      var layer = strips[Number(button.getAttribute("data-strip"))];
      var group = data.strips[Number(button.getAttribute("data-strip"))].kind === "gap"
        ? feature_group_gap : feature_group_double;
      if (!map.hasLayer(group)) { map.addLayer(group); }
      if (narrow) { card.open = false; }
      map.fitBounds(layer.getBounds(), { animate: false, maxZoom: 19, padding: [60, 60] });
      layer.openPopup(layer.getBounds().getCenter());
    });
  });

  var bounds = feature_group_outline.getLayers().length
    ? feature_group_outline.getBounds() : L.latLngBounds(data.corners);
  /* An arrow begins and ends outside the field at times. */
  if (data.wind.length) {
    bounds = L.latLngBounds(bounds.getSouthWest(), bounds.getNorthEast())
      .extend(feature_group_wind.getBounds());
  }

  function edges(element) { return element.getBoundingClientRect(); }
  function layerPanel() { return layer_control_switch.getContainer(); }

  /* Panels make room for each other: the card ends above the north arrow, and where the
     layer switch and the legend would meet, the legend folds first. */
  var legendByHand = false;
  legend.querySelector("summary").addEventListener("click", function () { legendByHand = true; });
  function settlePanels() {
    if (!legendByHand) { legend.open = true; }
    card.style.maxHeight = Math.max(
      60, edges(document.getElementById("north")).top - edges(card).top - 10) + "px";
    function meet() { return edges(layerPanel()).bottom > edges(legend).top - 4; }
    if (meet() && !legendByHand) { legend.open = false; }
    if (meet() && !layer_control_switch.options.collapsed) { foldLayers(); }
  }

  /* The first view leaves free what the panels cover, as far as there is room. */
  function fitField() {
    settlePanels();
    var size = map.getSize();
    var left = GAP, right = GAP, top = GAP, bottom = GAP;
    if (narrow) {
      top = Math.max(edges(card.querySelector("summary")).bottom, edges(layerPanel()).bottom) + GAP;
      bottom = size.y - Math.min(
        edges(legend).top, edges(document.getElementById("north")).top) + GAP;
    } else {
      left = edges(card).right + GAP;
      right = size.x - Math.min(edges(legend).left, edges(layerPanel()).left) + GAP;
    }
    if (size.x - left - right < 120) { left = right = GAP; }
    if (size.y - top - bottom < 120) { top = bottom = GAP; }
    map.fitBounds(bounds, {
      animate: false, paddingTopLeft: [left, top], paddingBottomRight: [right, bottom]
    });
  }
  fitField();
  /* A turned phone shows the whole field again, but not once someone has looked closer. */
  map.on("resize", fitField);
  map.on("resize", settlePanels);
  ["pointerdown", "wheel", "keydown"].forEach(function (kind) {
    document.addEventListener(kind, function () { map.off("resize", fitField); }, { once: true });
  });
}());
