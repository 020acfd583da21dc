// What can be done to a range of cells; a table is a list of rows, a range { r0, r1, c0, c1 } with both ends in it.

const tidy = (value) => Number(value.toFixed(4));

/** The table with each cell of a range as `make` has it of the cell, its row and its column. */
export const changed = (table, { r0, r1, c0, c1 }, make) =>
  table.map((row, r) => row.map((v, c) => (r < r0 || r > r1 || c < c0 || c > c1 ? v : tidy(Math.max(0, make(v, r, c))))));

export const fill = (table, range, value) => changed(table, range, () => value);
export const scale = (table, range, percent) => changed(table, range, (v) => (v * percent) / 100);
export const add = (table, range, by) => changed(table, range, (v) => v + by);

/** Straight between the corners of the range, along lift and progress as the maps are, by the axes' own steps. */
export function interpolate(table, range, lifts, points) {
  const { r0, r1, c0, c1 } = range;
  const share = (axis, at, from, to) => (to === from ? 0 : (axis[at] - axis[from]) / (axis[to] - axis[from]));
  return changed(table, range, (_, r, c) => {
    const down = share(lifts, r, r0, r1);
    const across = share(points, c, c0, c1);
    const left = table[r0][c0] * (1 - down) + table[r1][c0] * down;
    const right = table[r0][c1] * (1 - down) + table[r1][c1] * down;
    return left * (1 - across) + right * across;
  });
}

/** Half of each cell, and half the mean of its neighbours in the table. */
export function smooth(table, range) {
  return changed(table, range, (v, r, c) => {
    const around = [table[r - 1]?.[c], table[r + 1]?.[c], table[r][c - 1], table[r][c + 1]].filter((one) => one != null);
    return around.length ? v / 2 + around.reduce((sum, one) => sum + one, 0) / around.length / 2 : v;
  });
}

/** Tab-separated text, the highest lift first, as the table is shown. */
export function copied(table, { r0, r1, c0, c1 }) {
  const rows = [];
  for (let r = r1; r >= r0; r -= 1) rows.push(table[r].slice(c0, c1 + 1).join("\t"));
  return rows.join("\n");
}

/** The table with tab-separated text laid from the range's upper left corner on, and the range that it took; a single
    number fills the range. Throws a line for text that is no table of numbers or does not fit. */
export function pasted(table, range, text) {
  const rows = text.replace(/\r/g, "").replace(/\n+$/, "").split("\n").map((line) => line.split("\t").map((cell) => {
    const plain = cell.trim();
    const value = Number(/^[-+]?\d+,\d+$/.test(plain) ? plain.replace(",", ".") : plain);
    if (plain === "" || !Number.isFinite(value)) throw new Error(`"${plain.slice(0, 20)}" is not a number`);
    return value;
  })); // prettier-ignore
  if (rows.length === 1 && rows[0].length === 1) return { table: fill(table, range, rows[0][0]), range };
  const wide = rows[0].length;
  if (rows.some((row) => row.length !== wide)) throw new Error("the rows are of different lengths");
  const { r1, c0 } = range;
  if (r1 - rows.length + 1 < 0 || c0 + wide > table[0].length) {
    throw new Error(`${rows.length} rows of ${wide} do not fit from this cell on`);
  }
  const taken = { r0: r1 - rows.length + 1, r1, c0, c1: c0 + wide - 1 };
  return { table: changed(table, taken, (_, r, c) => rows[r1 - r][c - c0]), range: taken };
}
