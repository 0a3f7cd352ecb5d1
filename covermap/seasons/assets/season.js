"use strict";
// Sorts every table by a click or key on a column's head, and filters the fields by words.
document.documentElement.classList.add("scripted");
document.addEventListener("DOMContentLoaded", () => {
  const order = new Intl.Collator("en", { numeric: true, sensitivity: "base" });
  const UNKNOWN = "–";
  const fields = document.getElementById("fields");
  const filter = document.getElementById("filter");
  const told = document.getElementById("told");
  const all = document.getElementById("all");
  const count = fields.tBodies[0].rows.length;
  let most = Number(fields.dataset.first);

  // What a row is sorted by in a column: a number, text, or null where it is not known.
  function keyOf(cell, kind) {
    if (kind === "number") return "n" in cell.dataset ? Number(cell.dataset.n) : null;
    const text = cell.textContent.trim();
    return text === "" || text === UNKNOWN ? null : text;
  }

  function sort(table, column, kind, down) {
    const body = table.tBodies[0];
    const rows = [...body.rows].map((row) => [keyOf(row.cells[column], kind), row]);
    const compare = kind === "number" ? (a, b) => a - b : order.compare;
    const turn = down ? -1 : 1;
    rows.sort(([a], [b]) => {
      // what is not known comes last, whichever way round
      if (a === null || b === null) return (a === null) - (b === null);
      return turn * compare(a, b);
    });
    body.replaceChildren(); // taking rows out one by one takes twenty times as long
    const sorted = document.createDocumentFragment();
    for (const [, row] of rows) sorted.append(row);
    if (table === fields) lay(rows.map(([, row]) => row));
    body.append(sorted);
  }

  // Lays out the first of the rows that the filter lets through, and says how many.
  function lay(rows) {
    let found = 0;
    for (const row of rows) {
      row.classList.toggle("later", !row.hidden && found >= most);
      found += !row.hidden;
    }
    told.textContent = `${Math.min(found, most)} of ${count} fields shown`;
    all.hidden = found <= most;
  }

  function show() {
    const words = filter.value.toLowerCase().split(/\s+/).filter(Boolean);
    const rows = [...fields.tBodies[0].rows]; // not the live list: it is looked up anew at each change
    for (const row of rows) {
      row.text ??= row.textContent.toLowerCase();
      row.hidden = !words.every((word) => row.text.includes(word));
    }
    lay(rows);
  }

  function showAll() {
    most = Infinity;
    show();
  }

  // A link leads to a row even where it is not shown.
  function showTarget() {
    const row = document.getElementById(decodeURIComponent(location.hash.slice(1)));
    if (!row || !fields.contains(row) || row.offsetHeight > 0) return;
    filter.value = "";
    showAll();
    row.scrollIntoView();
  }

  for (const table of document.querySelectorAll("table")) {
    const heads = [...table.tHead.rows[0].cells];
    heads.forEach((head, column) => {
      const kind = head.dataset.kind;
      if (kind === "picture") return;
      const button = document.createElement("button");
      button.type = "button";
      button.append(...head.childNodes);
      head.append(button);
      button.addEventListener("click", () => {
        const down = head.getAttribute("aria-sort") === "ascending";
        sort(table, column, kind, down);
        for (const other of heads) other.removeAttribute("aria-sort");
        head.setAttribute("aria-sort", down ? "descending" : "ascending");
      });
    });
  }

  let waiting = 0;
  filter.addEventListener("input", () => {
    clearTimeout(waiting);
    waiting = setTimeout(show, 120);
  });
  all.addEventListener("click", showAll);
  addEventListener("hashchange", showTarget);
  filter.closest(".tools").hidden = false;
  show();
  showTarget();
});
