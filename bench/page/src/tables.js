// The tables of a report: rows in order, the row of a point, and whether there is more to the right.

export const rowOf = (id) => (id ? [...document.querySelectorAll("tr[data-id]")].find((row) => row.dataset.id === id) : undefined);

export function lightRow(id) {
  for (const row of document.querySelectorAll("tr.lit")) row.classList.remove("lit");
  rowOf(id)?.classList.add("lit");
}

/** Puts the rows of a table in order: numbers by size, words by letters, up and then down. */
export function sort(title) {
  const place = title.cellIndex;
  const down = title.getAttribute("aria-sort") === "ascending";
  for (const other of title.parentElement.cells) other.removeAttribute("aria-sort");
  title.setAttribute("aria-sort", down ? "descending" : "ascending");
  const body = title.closest("table").tBodies[0];
  const value = (row) => {
    const text = row.cells[place].textContent.trim();
    const number = parseFloat(text);
    return Number.isNaN(number) ? text : number;
  };
  const rows = [...body.rows].map((row) => [value(row), row]);
  // Numbers come before words, so that any three rows have one order.
  const order = (p, q) => {
    if (typeof p !== typeof q) return typeof p === "number" ? -1 : 1;
    return typeof p === "number" ? p - q : p.localeCompare(q);
  };
  rows.sort(([p], [q]) => (down ? -order(p, q) : order(p, q)));
  body.append(...rows.map(([, row]) => row));
}

/** Says so where a table is wider than there is room for. */
export function watchTables() {
  const watch = new ResizeObserver((seen) => {
    for (const { target } of seen) {
      const table = target.closest(".table");
      table.classList.toggle("more", table.scrollWidth > table.clientWidth + 4);
    }
  });
  for (const table of document.querySelectorAll(".table")) for (const one of [table, table.firstElementChild]) watch.observe(one);
}
