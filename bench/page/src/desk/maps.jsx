// The maps as tables: numbers to change, the run's own path over them, and what each cell took.
import { useRef, useState } from "preact/hooks";
import { Way } from "../way.jsx";
import { gesture } from "./link.js";
import { NumberField, plain } from "./parts.jsx";
import { add, copied, fill, interpolate, pasted, scale, smooth } from "./table.js";

const MAPS = [["map_reduction", "Cut", "%"], ["map_retard", "Retard", "°"]];
const LEAST_MS = 5; // what is shorter is not written into a cell

const bounds = ({ at, from }) => ({
  r0: Math.min(at[0], from[0]), r1: Math.max(at[0], from[0]), c0: Math.min(at[1], from[1]), c1: Math.max(at[1], from[1]),
}); // prettier-ignore

export function Maps({ state, values, set, stale }) {
  const [map, setMap] = useState("map_reduction");
  const [chosen, setChosen] = useState({ at: [0, 0], from: [0, 0] });
  const [typed, setTyped] = useState(null); // what is being typed into the cell
  const [amount, setAmount] = useState("10");
  const [said, setSaid] = useState("");
  const grid = useRef(null);
  const rows = values.map_lift.length;
  const columns = values.points.length;
  const inside = ([r, c]) => [Math.max(0, Math.min(rows - 1, r)), Math.max(0, Math.min(columns - 1, c))];
  const now = { at: inside(chosen.at), from: inside(chosen.from) };
  const range = bounds(now);
  const table = values[map];
  const unit = MAPS.find(([name]) => name === map)[2];
  const { cells } = state.result;
  const fits = cells && cells.ms.length === rows && cells.ms[0].length === columns;

  const take = (made, fresh = true) => set({ [map]: made }, gesture(`${map} cells`, fresh));
  const number = Number(amount.replace(",", "."));
  const good = amount.trim() !== "" && Number.isFinite(number);
  const cellAt = (r, c) => grid.current.querySelector(`[data-cell="${r} ${c}"]`);
  const focus = (at) => cellAt(...at)?.focus();
  const choose = (at, extend) => {
    const to = inside(at);
    setChosen({ at: to, from: extend ? now.from : to });
    focus(to);
  };
  const finish = () => {
    if (typed == null) return;
    const value = Number(typed.replace(",", "."));
    if (typed.trim() !== "" && Number.isFinite(value)) take(fill(table, range, value));
    else setSaid(`"${typed.slice(0, 20)}" is not a number`);
    setTyped(null);
  };
  const key = (event) => {
    const [r, c] = now.at;
    const step = { ArrowUp: [1, 0], ArrowDown: [-1, 0], ArrowLeft: [0, -1], ArrowRight: [0, 1], Home: [0, -columns], End: [0, columns], PageUp: [rows, 0], PageDown: [-rows, 0] }[event.key];
    if (event.ctrlKey || event.metaKey) {
      if (event.key.toLowerCase() !== "a") return;
      setChosen({ at: [rows - 1, columns - 1], from: [0, 0] });
    } else if (event.altKey) return;
    else if (typed != null && event.key === "Escape") setTyped(null);
    else if (typed != null && event.key === "Enter") {
      finish();
      choose([r - 1, c], false);
    } else if (typed != null && event.key === "Backspace") setTyped(typed.slice(0, -1));
    else if (/^[\d.,]$/.test(event.key)) {
      setSaid("");
      setTyped((typed ?? "") + event.key);
    } else if (step) {
      finish();
      choose([r + step[0], c + step[1]], event.shiftKey);
    } else if (event.key === "Delete" || event.key === "Backspace") take(fill(table, range, 0));
    else if (event.key === "Enter" || event.key === "F2") setTyped(String(table[r][c]));
    else return;
    event.preventDefault();
  };
  const onCopy = (event) => {
    event.clipboardData.setData("text/plain", copied(table, range));
    event.preventDefault();
  };
  const lay = (text) => {
    try {
      const made = pasted(table, range, text);
      take(made.table);
      setChosen({ at: [made.range.r1, made.range.c1], from: [made.range.r0, made.range.c0] });
      setSaid("");
    } catch (wrong) {
      setSaid(`What was pasted: ${wrong.message}.`);
    }
  };
  const onPaste = (event) => {
    lay(event.clipboardData.getData("text/plain"));
    event.preventDefault();
  };
  // A drag of the mouse chooses a range; a finger taps one cell, and scrolls.
  const drag = (event) => {
    const cell = event.target.closest?.("[data-cell]");
    if (!cell) return;
    const at = cell.dataset.cell.split(" ").map(Number);
    if (event.type === "pointerdown" && event.button === 0) {
      finish();
      setChosen({ at, from: event.shiftKey ? now.from : at });
    } else if (event.buttons === 1 && event.pointerType === "mouse" && String(at) !== String(now.at)) setChosen({ at, from: now.from });
  };
  const axis = (name, i, value, stamp) => set({ [name]: values[name].map((v, at) => (at === i ? value : v)) }, gesture(`${name} ${i} field`), stamp);
  const line = (name, i, remove) => {
    const halves = (list, mid) => (remove ? list.filter((_, at) => at !== i) : [...list.slice(0, i + 1), mid(list[i], list[i + 1]), ...list.slice(i + 1)]);
    const middle = (a, b) => Number(((a + b) / 2).toFixed(3));
    const both = Object.fromEntries(MAPS.map(([of]) => [of, name === "map_lift"
      ? halves(values[of], (a, b) => a.map((v, c) => middle(v, b[c])))
      : values[of].map((row) => halves(row, middle))])); // prettier-ignore
    set({ [name]: halves(values[name], middle), ...both }, gesture(name, true));
  };
  const doing = [
    ["Set", "every chosen cell to the number", () => fill(table, range, number)],
    ["Add", "the number to every chosen cell; below 0 to take away", () => add(table, range, number)],
    ["Scale to %", "every chosen cell to so many percent of itself", () => scale(table, range, number)],
  ];
  const [r, c] = now.at;
  return (
    <div class={`maps${stale ? " stale" : ""}`}>
      <div class="choice" role="radiogroup" aria-label="Map">
        {MAPS.map(([name, words, its]) => (
          <label key={name}><input type="radio" name="map" checked={map === name} onChange={() => { setTyped(null); setMap(name); }} /> {words}, {its}</label>
        ))}
      </div>
      <div class="map-tools" role="toolbar" aria-label="Chosen cells">
        <label>Number <input type="text" inputMode="decimal" class="unit-field" value={amount} onInput={(event) => setAmount(event.currentTarget.value)} /></label>
        {doing.map(([words, title, made]) => <button key={words} type="button" disabled={!good} title={title} onClick={() => take(made())}>{words}</button>)}
        <button type="button" title="straight between the corners of the chosen cells" onClick={() => take(interpolate(table, range, values.map_lift, values.points))}>Between corners</button>
        <button type="button" title="half of each, half of its neighbours" onClick={() => take(smooth(table, range))}>Smooth</button>
        <button type="button" title="Ctrl+C: for a spreadsheet" onClick={() => navigator.clipboard?.writeText(copied(table, range)).then(() => setSaid("Copied."), () => setSaid("Copy with Ctrl+C."))}>Copy</button>
        <button type="button" title="Ctrl+V: from a spreadsheet" onClick={() => navigator.clipboard?.readText?.().then(lay, () => setSaid("Paste with Ctrl+V."))}>Paste</button>
      </div>
      <p class="note" role="status">{said}</p>
      <div class="scroll map-scroll">
        <Way cells={fits ? cells : null} lifts={values.map_lift} points={values.points} grid={grid} />
        <table ref={grid} role="grid" aria-label={`${MAPS.find(([name]) => name === map)[1]}, ${unit}: lift in ${state.lift_unit} over ${state.progress_unit}`} aria-multiselectable="true" onKeyDown={key} onCopy={onCopy} onPaste={onPaste} onPointerDown={drag} onPointerOver={drag}>
          <thead>
            <tr role="row">
              <th scope="col" role="columnheader">lift, {state.lift_unit}</th>
              {values.points.map((p, i) => <th key={i} scope="col" role="columnheader">{plain(p, 1)}</th>)}
            </tr>
          </thead>
          <tbody>
            {values.map_lift.map((_, n) => rows - 1 - n).map((at) => (
              <tr key={at} role="row">
                <th scope="row" role="rowheader">{plain(values.map_lift[at], 2)}</th>
                {table[at].map((value, column) => {
                  const mine = at === r && column === c;
                  const selected = at >= range.r0 && at <= range.r1 && column >= range.c0 && column <= range.c1;
                  const there = fits ? cells.ms[at][column] : 0;
                  const taken = fits ? cells.taken_ms[at][column] : 0;
                  return (
                    <td key={column} role="gridcell" data-cell={`${at} ${column}`} aria-selected={selected} tabindex={mine ? 0 : -1} class={`cell${selected ? " selected" : ""}`}>
                      <span class={mine && typed != null ? "typing" : "number"}>{mine && typed != null ? typed : plain(value, 2)}</span>
                      <span class="stay">{there > LEAST_MS && `${(there / 1000).toFixed(2)} s${taken > LEAST_MS ? ` −${(taken / 1000).toFixed(2)}` : ""}`}</span>
                    </td>
                  );
                })}
              </tr>
            ))}
          </tbody>
        </table>
      </div>
      <p class="note">
        Below each number: how long the run was in the cell with the lift that look-ahead expects, and after − how much of that at full torque was taken.
        {" "}At {plain(values.map_lift[r], 2)} {state.lift_unit} and {plain(values.points[c], 1)} {state.progress_unit}: {plain(table[r][c], 2)} {unit}
        {fits && `, ${(cells.ms[r][c] / 1000).toFixed(3)} s there, ${(cells.taken_ms[r][c] / 1000).toFixed(3)} s taken`}.
      </p>
      <details class="numbers">
        <summary>Lifts and points of the maps; add or take away lines</summary>
        <div class="axes">
          {[["map_lift", "lift", state.lift_unit], ["points", "point", state.progress_unit]].map(([name, words, its]) => (
            <ul key={name} aria-label={`${words}s, ${its}`}>
              {values[name].map((v, i) => (
                <li key={i}>
                  <NumberField value={v} step="any" label={`${words} ${i + 1}, ${its}`} onSet={(value, stamp) => axis(name, i, value, stamp)} />
                  <button type="button" class="small" disabled={values[name].length < 2} aria-label={`take ${words} ${i + 1} away`} onClick={() => line(name, i, true)}>−</button>
                  {i < values[name].length - 1 && values[name].length < 16 && <button type="button" class="small" aria-label={`add a line after ${words} ${i + 1}`} onClick={() => line(name, i, false)}>+</button>}
                </li>
              ))}
            </ul>
          ))}
        </div>
      </details>
    </div>
  );
}

/** Ceilings as maps, or maps as ceilings: first what it changes, then under a name of its own. */
export function Convert({ state, ask, said }) {
  const [name, setName] = useState("");
  const to = state.has_ceilings ? "maps" : "ceilings";
  const answer = said?.about === "convert" ? said : null;
  return (
    <details class="convert">
      <summary>{state.has_ceilings ? "Ceilings as maps" : "Maps as the nearest ceilings"}</summary>
      <button type="button" onClick={() => ask("convert")}>What would change?</button>
      {answer && <p class={answer.fine ? "note" : "refused"} role="status">{answer.text}</p>}
      <form class="keep-layout" onSubmit={(event) => { event.preventDefault(); ask("convert", { name }); }}>
        <label>Write it with {to} to a file of its own, and go on with that
          <input type="text" value={name} required placeholder={`car-${to}.toml`} spellcheck={false} onInput={(event) => setName(event.currentTarget.value)} />
        </label>
        <button type="submit">Write</button>
      </form>
    </details>
  );
}
