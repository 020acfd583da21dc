// Several runs over each other from their launch on, and where the car's own controller did otherwise.
import { LineSample } from "../looks.jsx";
import { lookOf } from "./parts.jsx";
import { LOOKS } from "./time.jsx";

export function Runs({ runs, others, ask }) {
  if (runs.length < 2) return null;
  const place = (number) => others.findIndex((one) => one.number === number);
  return (
    <fieldset class="runs">
      <legend>Runs over each other, from their launch on. The figures are of</legend>
      <ul>
        {runs.map(({ number, name, chosen }) => (
          <li key={number}>
            <label><input type="radio" name="run" checked={chosen} onChange={() => ask("run choose", { run: number })} /> {name}</label>
            {!chosen && place(number) >= 0 && <LineSample look={lookOf(place(number))} looks={LOOKS} />}
            {!chosen && <button type="button" class="small" aria-label={`take ${name} away`} onClick={() => ask("run away", { run: number })}>Away</button>}
            {!chosen && others[place(number)]?.why_not && <span class="hint">{others[place(number)].why_not}</span>}
          </li>
        ))}
      </ul>
    </fieldset>
  );
}

export function Apart({ apart }) {
  if (!apart) return null;
  const { stretches, in_all: count, delay } = apart;
  if (!stretches.length) return <p class="note">The car's own controller did the same in this run ({delay}).</p>;
  return (
    <details class="apart">
      <summary>The car's own controller did otherwise in {count === 1 ? "one stretch" : `${count} stretches`} ({delay})</summary>
      <div class="scroll" tabindex={0} role="region" aria-label="Where the car's own controller did otherwise">
        <table>
          <thead><tr><th scope="col">from, s</th><th scope="col">to, s</th><th scope="col">log minus replay</th><th scope="col">replay: reason</th><th scope="col">log: reason</th></tr></thead>
          <tbody>
            {stretches.map((one) => (
              <tr key={one.from}><td>{one.from.toFixed(3)}</td><td>{one.to.toFixed(3)}</td><td>{one.text}</td><td>{one.reason}</td><td>{one.logged_reason}</td></tr>
            ))}
          </tbody>
        </table>
      </div>
      {count > stretches.length && <p class="note">And {count - stretches.length} more: the report has all.</p>}
    </details>
  );
}
