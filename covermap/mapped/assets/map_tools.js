/* Opacity, look-at list, background from outside on request, Esc, and the printed page. */
(function () {
  var map = covermap.map;
  var data = covermap.data;
  var body = document.body;

  covermap.element("opacity").addEventListener("input", function (event) {
    map.getPane("field").style.opacity = event.target.value / 100;
  });

  /* Strips and passes for those who cannot point at them. */
  var list = covermap.element("look-at");
  function option(group, value, rows) {
    var one = document.createElement("option");
    var texts = covermap.rowsAsText(rows);
    one.value = value;
    one.textContent = texts[0].join(" ") + (texts[1] ? ", " + texts[1].join(" ") : "");
    group.appendChild(one);
  }
  function fillList() {
    var before = list.value;
    list.replaceChildren();
    [["Strips", "strip", data.strips], ["Passes", "pass", data.passes]].forEach(function (kind) {
      if (!kind[2].length) { return; }
      var group = document.createElement("optgroup");
      group.label = kind[0];
      kind[2].forEach(function (one, i) { option(group, kind[1] + " " + i, one.rows); });
      list.appendChild(group);
    });
    if (before) { list.value = before; }
  }
  fillList();
  covermap.onUnits(fillList);
  covermap.element("look-button").addEventListener("click", function () {
    var wanted = list.value.split(" ");
    if (wanted[0] === "strip") { covermap.showStrip(Number(wanted[1])); }
    if (wanted[0] === "pass") {
      covermap.show(covermap.passes[Number(wanted[1])], covermap.groups.passes);
    }
  });

  /* No server is asked for anything before the box is ticked. */
  var ticked = covermap.element("background");
  var address = covermap.element("background-address");
  var message = covermap.element("background-message");
  var tiles = null;
  function background() {
    if (tiles) { tiles.remove(); tiles = null; }
    message.textContent = "";
    if (!ticked.checked) { return; }
    var text = address.value.trim();
    if (!/^https?:[/][/].+/.test(text) || !/\{z\}/.test(text) || !/\{x\}/.test(text) ||
        !/\{-?y\}/.test(text)) {
      ticked.checked = false;
      message.textContent = "Write the whole address first, with {z}, {x} and {y} in it.";
      return;
    }
    tiles = L.tileLayer(text, { maxZoom: 23, maxNativeZoom: 19 });
    tiles.on("tileerror", function () {
      message.textContent = "No picture comes from that address. Without a network the map " +
        "works as before.";
    });
    tiles.on("tileload", function () { message.textContent = ""; });
    tiles.addTo(map);
  }
  ticked.addEventListener("change", background);
  address.addEventListener("change", background);

  /* Esc ends what was begun last. */
  document.addEventListener("keydown", function (event) {
    if (event.key !== "Escape") { return; }
    if (covermap.closeSection()) { return; }
    var more = covermap.element("more");
    if (more.open && more.contains(document.activeElement)) {
      more.open = false;
      more.querySelector("summary").focus();
      return;
    }
    map.closePopup();
  });

  /* On paper: title, map, legend and facts, one below the other. */
  var before = null;
  function toPaper() {
    if (before) { return; }
    var legend = covermap.element("legend");
    before = {
      centre: map.getCenter(), zoom: map.getZoom(), corner: legend.parentNode,
      legendOpen: legend.open, cardOpen: covermap.element("field-card").open
    };
    map.closePopup();
    legend.open = true;
    covermap.element("field-card").open = true;
    body.appendChild(legend);
    body.classList.add("on-paper");
    map.invalidateSize({ animate: false });
    map.fitBounds(covermap.bounds, { animate: false, padding: [8, 8] });
  }
  function fromPaper() {
    if (!before) { return; }
    var legend = covermap.element("legend");
    body.classList.remove("on-paper");
    before.corner.appendChild(legend);
    legend.open = before.legendOpen;
    covermap.element("field-card").open = before.cardOpen;
    map.invalidateSize({ animate: false });
    map.setView(before.centre, before.zoom, { animate: false });
    before = null;
  }
  window.addEventListener("beforeprint", toPaper);
  window.addEventListener("afterprint", fromPaper);
  covermap.element("print-button").addEventListener("click", function () { window.print(); });
}());
