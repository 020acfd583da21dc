// All other keys of the calibration, each section with its reason and where its effect is seen; guesses are marked.
import { useState } from "preact/hooks";
import { gesture } from "./link.js";
import { NumberField } from "./parts.jsx";

export function Rest({ state, values, set }) {
  return (
    <section aria-labelledby="rest" class="rest">
      <h2 id="rest">All of the calibration</h2>
      {state.sections.map((section) => {
        const off = section.switches.filter(({ name }) => !values[name]).map(({ of }) => of);
        const shown = section.keys.filter(({ key }) => !off.some((of) => key.startsWith(of)));
        const open = shown.filter(({ key }) => isGuess(state, values, key)).length;
        return (
          <details key={section.title} class="keys">
            <summary>{section.title}{open > 0 && <b class="guess">{open} guessed</b>}</summary>
            <p class="note">{section.why}{section.seen && ` Its effect is seen in: ${section.seen}.`}</p>
            {section.switches.map((one) => (
              <label key={one.name} class="switch">
                <input type="checkbox" role="switch" checked={values[one.name]} onChange={() => set({ [one.name]: !values[one.name] }, gesture(one.name, true))} />
                {" "}{one.words}<span class="hint">{values[one.name] ? "on" : "off; it begins with guesses, which are marked"}</span>
              </label>
            ))}
            {shown.map((one) => <Key key={one.key} one={one} state={state} values={values} set={set} />)}
          </details>
        );
      })}
    </section>
  );
}

export const isGuess = (state, values, key) => key in state.guesses && !values.measured.includes(key);

function Key({ one: { key, choices }, state, values, set }) {
  const value = values[key];
  const to = (now, stamp) => set({ [key]: now }, gesture(key), stamp);
  return (
    <div class="key-row" data-key={key}>
      <code>{key}</code>
      <Field name={key} value={value} choices={choices} onSet={to} />
      {isGuess(state, values, key) && (
        <span class="guess">guessed{state.guesses[key] && `: ${state.guesses[key]}`}{" "}
          <button type="button" class="small" onClick={() => set({ measured: [...values.measured, key] }, gesture("measured", true))} aria-label={`${key} is measured now`}>It is measured now</button>
        </span>
      )}
    </div>
  );
}

function Field({ name, value, choices, onSet }) {
  if (Array.isArray(value)) return <List value={value} label={name} onSet={onSet} />;
  if (choices) return <select aria-label={name} value={value} onChange={(event) => onSet(event.currentTarget.value)}>{choices.map((text) => <option key={text}>{text}</option>)}</select>;
  if (typeof value === "boolean") return <input type="checkbox" aria-label={name} checked={value} onChange={() => onSet(!value)} />;
  return <NumberField value={value} step="any" label={name} onSet={onSet} />;
}

// Numbers with commas between them, as in the file.
function List({ value, label, onSet }) {
  const [typed, setTyped] = useState(null);
  const read = (text) => text.split(",").map((part) => (part.trim() === "" ? NaN : Number(part)));
  const wrong = typed != null && read(typed).some((v) => !Number.isFinite(v));
  return (
    <input
      type="text"
      aria-label={label}
      aria-invalid={wrong}
      class="list-field"
      spellcheck={false}
      value={typed ?? value.join(", ")}
      onInput={(event) => {
        const text = event.currentTarget.value;
        setTyped(text);
        const numbers = read(text);
        if (numbers.every(Number.isFinite)) onSet(numbers, event.timeStamp);
      }}
      onBlur={() => setTyped(null)}
    />
  );
}
