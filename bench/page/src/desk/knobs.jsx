// Keep it, give it back: the other settings, each with a slider and a field.
import { useRef } from "preact/hooks";
import { gesture } from "./link.js";
import { clamp, NumberField, plain } from "./parts.jsx";

const USUAL_RATE = 200;

export function Knobs({ state, values, set }) {
  const rate = useRef(USUAL_RATE);
  const by = (name) => state.knobs.find((knob) => knob.name === name);
  const groups = [
    ["Keep it", ["hold", "hold_from"]],
    ["Give it back", ["release"]],
    ["How much", ["greatest_reduction", "greatest_retard", "trigger"]],
    ["Look ahead", ["look_rising", "look_falling"]],
  ];
  if (typeof values.release === "number") rate.current = values.release;
  const change = (name) => (value, stamp) => set({ [name]: value }, gesture(name), stamp);
  return (
    <div class="knobs">
      {groups.map(([title, names]) => {
        const shown = names.filter((name) => name in values);
        if (!shown.length) return null;
        return (
          <fieldset key={title}>
            <legend>{title}</legend>
            {shown.map((name) => {
              if (name === "hold_from")
                return (
                  <Choice
                    key={name}
                    name={name}
                    words="Count the hold from"
                    value={values.hold_from}
                    options={[["peak", "the peak"], ["landing", "the landing"]]}
                    onSet={(value) => set({ hold_from: value }, gesture(name, true))}
                  />
                );
              if (name === "release")
                return (
                  <div key={name}>
                    <Choice
                      name={name}
                      words="After the hold"
                      value={values.release === "step" ? "step" : "rate"}
                      options={[["step", "all at once"], ["rate", "little by little"]]}
                      onSet={(value) => set({ release: value === "step" ? "step" : rate.current }, gesture(name, true))}
                    />
                    <Knob knob={by(name)} value={rate.current} disabled={values.release === "step"} onSet={change(name)} />
                  </div>
                );
              return <Knob key={name} knob={by(name)} value={values[name]} onSet={change(name)} />;
            })}
          </fieldset>
        );
      })}
    </div>
  );
}

// How far the controller's maps may lie from the ceilings, beside how far they do.
export function Within({ state, values, set, stale }) {
  const off = state.result.ceilings.off_percent;
  if (off == null) return null;
  return (
    <p class="within">
      {stale ? "The controller's maps cannot follow these ceilings as closely as asked for: " : `The controller's maps follow these ceilings to within ${off} % of the greatest; `}
      <span class="field">at most
        <NumberField value={values.within} step={0.5} min={0} label="The maps may differ from the ceilings by at most, %" onSet={(value, stamp) => set({ within: value }, gesture("within"), stamp)} />
        %
      </span>
    </p>
  );
}

function Knob({ knob, value, disabled, onSet }) {
  const id = `knob-${knob.name}`;
  return (
    <div class="knob-row">
      <label for={id}>{knob.words}</label>
      <input
        id={id}
        type="range"
        min={knob.low}
        max={knob.high}
        step={knob.step}
        value={clamp(value, knob.low, knob.high)}
        disabled={disabled}
        aria-valuetext={`${plain(value, 3)} ${knob.unit}`}
        aria-describedby={`${id}-hint`}
        onPointerDown={() => gesture(knob.name, true)}
        onInput={(event) => onSet(event.currentTarget.valueAsNumber, event.timeStamp)}
      />
      <span class="field">
        <NumberField value={value} step="any" label={`${knob.words}, ${knob.unit}`} disabled={disabled} onSet={onSet} />
        <span aria-hidden="true">{knob.unit}</span>
      </span>
      <span class="hint" id={`${id}-hint`}>{knob.hint}</span>
    </div>
  );
}

function Choice({ name, words, value, options, onSet }) {
  return (
    <div class="choice" role="radiogroup" aria-label={words}>
      <span>{words}</span>
      {options.map(([key, text]) => (
        <label key={key}>
          <input type="radio" name={name} value={key} checked={value === key} onChange={() => onSet(key)} />
          {text}
        </label>
      ))}
    </div>
  );
}
