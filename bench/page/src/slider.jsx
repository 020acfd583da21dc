// A number to be moved by sliding or typing.
import { useState } from "preact/hooks";

export function Slider({ name, label, unit, from, to, step, value, move }) {
  const [typed, type] = useState(null); // kept while the page is drawn over and over
  const set = (event) => {
    type(null);
    if (event.currentTarget.value !== "") move(+event.currentTarget.value);
  };
  return (
    <div class="slider">
      <label for={name}>{label}</label>
      <input id={name} type="range" min={from} max={to} step={step} value={value} onInput={set} />
      <span><input type="number" aria-label={`${label}, ${unit}`} data-number={name} step="any" value={typed ?? value} onInput={(event) => type(event.currentTarget.value)} onChange={set} /> {unit}</span>
    </div>
  ); // prettier-ignore
}
