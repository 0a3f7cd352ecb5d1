/* What lies under the pointer, or at the middle of the map for those who use the keyboard. */
(function () {
  var map = covermap.map;
  var line = covermap.element("readout-text");
  var spoken = covermap.element("spoken");
  var wait = null;
  var last = null;
  var HINT = covermap.narrow ? "Tap the map to read numbers."
    : "Point at the map to read numbers; with the keyboard, the arrow keys move it.";

  function part(name, before) {
    var value = covermap.valueAt(name, last);
    var raster = covermap.rasters[name];
    if (value === null) { return ""; }
    return before + covermap.text(raster.kind, value) +
      covermap.errorText(raster.kind, covermap.errorAt(name, value));
  }

  covermap.readout = function (latlng) {
    last = covermap.toGrid(latlng);
    show();
  };

  function show() {
    if (!covermap.readable) {
      line.textContent = "This browser is too old to show the pictures and numbers (it lacks " +
        "DecompressionStream); strips, passes and their cards work.";
      return;
    }
    if (!last) { line.textContent = HINT; return; }
    var parts = [
      part("residue_t_ha", ""), part("cover_pct", "cover\u00a0"),
      part("spread_ratio", "spread ratio\u00a0")
    ];
    if (["residue_t_ha", "cover_pct", "spread_ratio"].indexOf(covermap.chosen) < 0) {
      var title = covermap.rasters[covermap.chosen] && covermap.rasters[covermap.chosen].title;
      parts.push(part(covermap.chosen, title ? title.toLowerCase() + "\u00a0" : ""));
    }
    parts = parts.filter(function (text) { return text; });
    line.textContent = parts.length ? parts.join(" · ") : "No residue mapped here.";
    window.clearTimeout(wait);
    wait = window.setTimeout(function () { spoken.textContent = line.textContent; }, 700);
  }

  map.on("mousemove click", function (event) { covermap.readout(event.latlng); });
  map.on("mouseout", function () { last = null; show(); });
  /* With the keyboard the map moves under its middle, which is marked. */
  map.on("moveend", function () {
    if (map.getContainer().matches(":focus-visible")) { covermap.readout(map.getCenter()); }
  });
  var container = map.getContainer();
  container.setAttribute("role", "region");
  container.setAttribute("aria-label",
    "Map. Arrow keys move it, plus and minus zoom; what lies at its middle is read out.");
  container.addEventListener("focus", function () {
    if (container.matches(":focus-visible")) { covermap.readout(map.getCenter()); }
  });
  /* A card that opens is told, too. */
  map.on("popupopen", function (event) {
    spoken.textContent = Array.from(event.popup.getElement().querySelectorAll("tr"), function (row) {
      return row.cells[0].textContent + " " + row.cells[1].textContent;
    }).join("; ");
  });
  map.on("covermap:layer", show);
  covermap.onUnits(show);
  covermap.ready.then(show);
  show();
}());
