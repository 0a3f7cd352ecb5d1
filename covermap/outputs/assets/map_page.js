/* Draws passes, strips and outline on the map that folium made, and keeps the legend true. */
(function () {
  "use strict";
  var data = JSON.parse(document.getElementById("map-data").textContent);
  var map = map_field;
  var narrow = window.matchMedia("(max-width: 700px)").matches;

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
      autoPanPaddingTopLeft: narrow ? [10, 70] : [325, 20],
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
  data.wind.forEach(function (one) {
    draw(one.shape, "wind-halo", feature_group_wind, false);
    explain(draw(one.shape, "wind-arrow", feature_group_wind, true), one.rows);
  });
  var strips = data.strips.map(function (one) {
    var gap = one.kind === "gap";
    var group = gap ? feature_group_gap : feature_group_double;
    draw(one.shape, "strip-halo", group, false);
    var layer = draw(one.shape, gap ? "gap-strip" : "double-strip", group, true);
    explain(layer, one.rows);
    return layer;
  });

  /* Strips lie above passes, whichever was switched on last. */
  function raiseStrips() {
    [feature_group_gap, feature_group_double].forEach(function (group) {
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

  var card = document.getElementById("field-card");
  if (narrow) {
    card.open = false;
    layer_control_switch.remove();
    layer_control_switch.options.collapsed = true;
    layer_control_switch.addTo(map);
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
  function fitField() {
    var wide = map.getSize().x > 1100;
    map.fitBounds(bounds, narrow
      ? { animate: false, paddingTopLeft: [12, 70], paddingBottomRight: [12, 190] }
      : { animate: false, paddingTopLeft: [325, 20], paddingBottomRight: [wide ? 315 : 20, 20] });
  }
  fitField();
  /* A turned phone shows the whole field again, but not once someone has looked closer. */
  map.on("resize", fitField);
  ["pointerdown", "wheel", "keydown"].forEach(function (kind) {
    document.addEventListener(kind, function () { map.off("resize", fitField); }, { once: true });
  });
}());
