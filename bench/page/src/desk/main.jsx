// The page of the desk: how high may it go here, and what happens if.
import { render } from "preact";
import { useEffect, useRef, useState } from "preact/hooks";
import { forgetColours } from "../looks.jsx";
import { plots, redraw } from "../plot.js";
import "../strip.css";
import { repaint } from "./canvas.jsx";
import { Ceilings, Numbers } from "./ceilings.jsx";
import "./desk.css";
import { Knobs, Within } from "./knobs.jsx";
import { useDesk } from "./link.js";
import { Begin, Logs, useBringing } from "./logs.jsx";
import { Convert, Maps } from "./maps.jsx";
import { Steady } from "./parts.jsx";
import { isGuess, Rest } from "./rest.jsx";
import { Apart, Runs } from "./runs.jsx";
import { kindOf, Predicted, Replayed } from "./time.jsx";
import { takeAlong } from "./transfer.js";

function Desk() {
  const { state, values, said, setSaid, logs, connected, ask, set, tell, latest, settle } = useDesk();
  const [open, setOpen] = useState(""); // "log" or "begin"
  const bringing = useBringing(tell, logs?.largest, ask);
  const [moment, setMoment] = useState(null);
  const [saving, setSaving] = useState(false);

  useEffect(() => {
    const key = (event) => {
      if (!(event.ctrlKey || event.metaKey) || event.altKey) return;
      const letter = event.key.toLowerCase();
      if (letter === "z") ask(event.shiftKey ? "redo" : "undo");
      else if (letter === "y") ask("redo");
      else if (letter === "s") setSaving(true);
      else return;
      event.preventDefault();
    };
    window.addEventListener("keydown", key);
    return () => window.removeEventListener("keydown", key);
  });
  useEffect(() => {
    if (state) document.title = `${state.changed.length ? "• " : ""}${state.file.name} – Liftlatch desk`;
  }, [state?.file.name, state?.changed.length]);
  useEffect(() => {
    if (said?.about === "save" && said.fine) setSaving(false);
    if (said?.fine && (said.about === "begin" || said.about === "log use" || said.about === "log lay")) setOpen("");
  }, [said]);
  useEffect(() => {
    if (bringing.shown) setOpen("log");
  }, [bringing.shown]);

  if (!state) return <p class="wait">{connected ? "Opening the desk …" : <Gone />}</p>;
  const { result, refused } = state;
  const stale = refused.length > 0;
  const disk = state.compare ? state.disk : null;
  return (
    <>
      <header>
        <h1><span class="mark" aria-hidden="true" />Liftlatch desk</h1>
        <p class="files">
          <b>{state.trace.name}</b> with <b>{state.file.name}</b>{state.file.demo && " (a copy of the demo)"}
          {state.vehicle && <> in <b>{state.vehicle}</b></>}
        </p>
        <div class="tools" role="toolbar" aria-label="Work">
          <button type="button" onClick={() => setOpen("log")} title="or drop it anywhere on the page">Log …</button>
          <button type="button" onClick={() => setOpen("begin")} title="a calibration for a car that has none">New car …</button>
          <button type="button" onClick={() => ask("undo")} disabled={!state.undo} title="Ctrl+Z">Undo</button>
          <button type="button" onClick={() => ask("redo")} disabled={!state.redo} title="Ctrl+Shift+Z">Redo</button>
          <button type="button" aria-pressed={state.compare} onClick={() => ask("compare", { on: !state.compare })} title="with the file on disk">Compare</button>
          <button type="button" class="main" onClick={() => setSaving(true)} title="Ctrl+S">Save …</button>
        </div>
      </header>
      <main>
        <Messages state={state} said={said} setSaid={setSaid} connected={connected} ask={ask} saving={saving || open !== ""} />
        {state.compare && <Changed state={state} ask={ask} />}
        {!result ? <p class="wait">Working it out …</p> : (
          <div class="board">
            <section aria-labelledby="how-high" class="high">
              <h2 id="how-high">How high may it go here?</h2>
              <p class="lead">
                {state.file.demo && "This is the demo: drop a log of your own on the page. "}
                {state.has_ceilings
                  ? "Drag the handles. Behind them lies the run's own lift; thick where torque is cut."
                  : "This file gives maps: the lines are read off them, and the tables below are what is changed."}
                {" "}
                {result.predicted?.path && "Dotted: the lift predicted for the car with this setting."}
              </p>
              <Ceilings state={state} values={values} set={set} latest={latest} settle={settle} moment={moment} stale={stale} />
              <Runs runs={state.runs} others={result.others} ask={ask} />
              {stale && <div class="refused" role="alert"><b>These settings cannot be.</b> The pictures and figures are those of the last ones that could.<ul>{refused.map((text) => <li key={text}>{text}</li>)}</ul></div>}
              {!state.has_ceilings && <Maps state={state} values={values} set={set} stale={stale} />}
              <Within state={state} values={values} set={set} stale={stale} />
              <Numbers state={state} values={values} set={set} />
              <Convert key={state.file.name} state={state} ask={ask} said={said} />
            </section>
            <section aria-labelledby="what-then" class="then">
              <div class="title">
                <h2 id="what-then">And what happens then?</h2>
                <Steady of={[result.launches, result.launch, result.whole]}>{() => <Views result={result} ask={ask} />}</Steady>
              </div>
              {result.loud.map((text) => <p key={text} class="bar warn">{text}</p>)}
              {result.out_of_service ? (
                <details>
                  <summary>The controller was out of service: the figures are not those of this setting</summary>
                  <Figures result={result} disk={disk} stale={stale} />
                </details>
              ) : <Figures result={result} disk={disk} stale={stale} />}
              <Replayed key={kindOf(result.strip)} result={result} disk={disk} moment={moment} setMoment={setMoment} stale={stale} />
              <Apart apart={result.apart} />
              {disk && <p class="note"><span class="key disk-key" /> dashed: the file on disk{disk.why_not && `, which cannot be shown: ${disk.why_not}`}</p>}
              <Steady of={[result.warnings, result.looks, result.notes]}>{() => <Remarks result={result} />}</Steady>
            </section>
            <section aria-labelledby="keep" class="keep">
              <h2 id="keep">Keep it, and give it back</h2>
              <Steady of={[state.knobs, state.knobs.map(({ name }) => values[name]), values.hold_from]}>
                {() => <Knobs state={state} values={values} set={set} />}
              </Steady>
            </section>
            <Steady of={[state.sections, state.guesses, Object.entries(values).filter(([name]) => /[. ]|^measured$/.test(name))]}>
              {() => <Rest state={state} values={values} set={set} />}
            </Steady>
            <Steady of={[state.file, state.changed.length, state.guesses, values.measured]}>
              {() => <Along state={state} values={values} />}
            </Steady>
            {result.predicted && (
              <section aria-labelledby="the-car" class="car">
                <h2 id="the-car">What would the car do?</h2>
                <Predicted predicted={result.predicted} disk={disk} model={state.model} stale={stale} />
              </section>
            )}
            <Steady of={[state.cautions, state.pages]}>{() => <Foot state={state} />}</Steady>
          </div>
        )}
      </main>
      {!result && <Foot state={state} />}
      {result && <Bottom result={result} stale={stale} />}
      {logs && open === "log" && <Logs logs={logs} folder={state.file.folder} bringing={bringing} ask={ask} said={said} close={() => setOpen("")} />}
      {logs && open === "begin" && <Begin questions={logs.questions} folder={state.file.folder} ask={ask} said={said} close={() => setOpen("")} />}
      {saving && <Save state={state} said={said} ask={ask} close={() => setSaving(false)} />}
    </>
  );
}

const Gone = () => (
  <>The desk's program has ended. What was done is kept: start <code>liftlatch desk</code> again with the same calibration, and open the address that it prints.</>
);

const Foot = ({ state }) => (
  <footer>
    <p>{state.cautions}</p>
    <p>
      The replayed lift is the recorded one, whatever a setting takes. This page comes from this machine and can be opened by nobody else.
      Nothing is written but what you save, and the work in progress with its undo history, in your state folder, so that nothing is lost.
      {state.pages > 1 && ` ${state.pages} pages are open on this work: all show and change the same.`}
      {" "}<a href="desk-licences.txt">Licences</a>
    </p>
  </footer>
);

function Messages({ state, said, setSaid, connected, ask, saving }) {
  const { file } = state;
  return (
    <div class="messages" role="status">
      {!connected && <p class="bar warn"><Gone /></p>}
      {file.changed_on_disk && (
        <p class="bar warn">
          <span>{file.gone ? `${file.name} is no longer on disk.` : `${file.name} was changed on disk since this work began.`}{" "}
            {file.gone ? "Saving writes it again." : "Saving does not replace it unasked."}</span>
          {!file.gone && <button type="button" onClick={() => ask("take from disk")}>Take what is on disk</button>}
        </p>
      )}
      {state.notices.length > 0 && (
        <div class="bar">
          <span>{state.notices.map((text) => <span key={text} class="line">{text}</span>)}</span>
          {state.changed.length > 0 && <button type="button" onClick={() => ask("start over")}>Start from the file</button>}
          <button type="button" onClick={() => ask("dismiss")}>Fine</button>
        </div>
      )}
      {said && said.about !== "convert" && !(saving && /^(save|log|begin)/.test(said.about)) && (
        <p class={said.fine && said.about === "log lay" ? "hidden" : `bar${said.fine ? " fine" : " warn"}`}>
          <span>{said.text}</span>
          <button type="button" onClick={() => setSaid(null)}>Fine</button>
        </p>
      )}
    </div>
  );
}

function Changed({ state, ask }) {
  return (
    <section class="changed" aria-label="Changed against the file">
      <h2>{state.changed.length ? "Changed against the file" : "Nothing is changed against the file"}</h2>
      {state.changed.length > 0 && (
        <>
          <div class="scroll" tabindex={0} role="region" aria-label="Changed keys">
            <table>
              <thead><tr><th scope="col">key</th><th scope="col">in the file</th><th scope="col">now</th></tr></thead>
              <tbody>{state.changed.map((one) => <tr key={one.key}><th scope="row"><code>{one.key}</code></th><td>{one.was}</td><td>{one.now}</td></tr>)}</tbody>
            </table>
          </div>
          <button type="button" onClick={() => ask("start over")}>Back to the file's settings</button>
        </>
      )}
    </section>
  );
}

// What goes to the car and to a phone.
function Along({ state, values }) {
  const [wrong, setWrong] = useState("");
  const open = Object.keys(state.guesses).filter((key) => isGuess(state, values, key));
  const take = async (what) => setWrong(await takeAlong(what));
  return (
    <section aria-labelledby="along" class="along">
      <h2 id="along">Take it along</h2>
      <div class="buttons">
        <button type="button" onClick={() => take("report.html")}>Report of this run</button>
        <button type="button" onClick={() => take("image")} disabled={state.file.demo || state.changed.length > 0}>File for the device</button>
      </div>
      <p class="note">
        The report is one page that opens anywhere, a phone included. The device's file is made of what is saved
        {state.file.demo || state.changed.length > 0 ? ": save first." : "."}
      </p>
      {wrong && <p class="refused" role="alert">{wrong}</p>}
      {open.length > 0 && (
        <details>
          <summary>{open.length === 1 ? "One number of this file is" : `${open.length} numbers of this file are`} guessed</summary>
          <ul>{open.map((key) => <li key={key}>{key}{state.guesses[key] && `: ${state.guesses[key]}`}</li>)}</ul>
        </details>
      )}
    </section>
  );
}

const FIRST = ["cut", "back", "taken", "lift"]; // as tiles; the others stand in a line below

function Figures({ result, disk, stale }) {
  const others = disk?.result?.figures;
  const rank = ({ key }) => (FIRST.includes(key) ? FIRST.indexOf(key) : FIRST.length);
  return (
    <dl class={`figures${stale ? " stale" : ""}`}>
      {[...result.figures].sort((a, b) => rank(a) - rank(b)).map((one) => {
        const other = others?.find((it) => it.key === one.key);
        return (
          <div key={one.key} class={FIRST.includes(one.key) ? "tile" : "also"} data-figure={one.key} data-value={one.value ?? ""}>
            <dt>{one.title}</dt>
            <dd class="big">{one.text}</dd>
            {one.more && <dd>{one.more}</dd>}
            {other && other.text !== one.text && <dd class="was">file: {other.text}</dd>}
          </div>
        );
      })}
    </dl>
  );
}

function Views({ result, ask }) {
  const { launches, launch, whole } = result;
  return (
    <div class="views">
      {launches.length > 1 && (
        <label>Launch{" "}
          <select value={launch} onChange={(event) => ask("view", { launch: Number(event.currentTarget.value), whole })}>
            {launches.map((one) => <option key={one.number} value={one.number}>{one.number} at {one.time_s.toFixed(2)} s</option>)}
          </select>
        </label>
      )}
      {launches.length > 0 && (
        <label><input type="checkbox" checked={whole} onChange={() => ask("view", { launch, whole: !whole })} /> the whole run</label>
      )}
    </div>
  );
}

function Remarks({ result }) {
  const all = [...result.warnings.map((text) => `Calibration: ${text}`), ...result.looks];
  return (
    <div class="remarks">
      {all.length > 0 && (
        <>
          <h3>Worth a look</h3>
          <ul>{all.map((text) => <li key={text}>{text}</li>)}</ul>
        </>
      )}
      {result.notes.length > 0 && (
        <details>
          <summary>How the run was read</summary>
          <ul>{result.notes.map((text) => <li key={text}>{text}</li>)}</ul>
        </details>
      )}
    </div>
  );
}

// On a phone the answer stays in sight while a handle is dragged; it is also what is read aloud after a change.
function Bottom({ result, stale }) {
  const by = (key) => result.figures.find((one) => one.key === key);
  const most = `Greatest reduction ${by("cut").text}. All given back: ${by("back").text}.`;
  const text = stale ? "These settings cannot be." : `${most} Interventions: ${by("interventions").text}.`;
  const [spoken, setSpoken] = useState("");
  useEffect(() => {
    const later = setTimeout(() => setSpoken(text), 700);
    return () => clearTimeout(later);
  }, [text]);
  return (
    <>
      <div class="bottom" aria-hidden="true">
        <Cut result={result} />
        <p>{stale ? text : most}</p>
      </div>
      <p class="hidden" role="status">{spoken}</p>
    </>
  );
}

// The cut over time, small.
function Cut({ result }) {
  const { first, columns } = result.strip.series.reduction;
  const [from, to] = result.strip.view;
  const { at, reduction } = columns;
  const most = Math.max(100, ...reduction.values);
  const x = (v) => ((first + v / at.per - from) / (to - from)) * 100;
  const y = (v) => 30 - (28 * v) / most;
  const path = at.values.map((v, i) => `${i ? `H${x(v).toFixed(2)}V` : `M${x(v).toFixed(2)} `}${y(reduction.values[i]).toFixed(2)}`).join("");
  return <svg class="small-cut" width="100" height="32" viewBox="0 0 100 32"><path d={path} /></svg>;
}

function Save({ state, said, ask, close }) {
  const dialog = useRef(null);
  const opened = useRef(performance.now());
  const [name, setName] = useState(state.file.demo ? "" : state.file.name);
  useEffect(() => dialog.current.showModal(), []);
  const answer = said?.about === "save" && !said.fine && said.at > opened.current ? said : null;
  const save = (replace) => ask("save", { name, replace });
  return (
    <dialog ref={dialog} onClose={close} onCancel={close} aria-labelledby="save-title">
      <form onSubmit={(event) => { event.preventDefault(); save(false); }}>
        <h2 id="save-title">Save the calibration</h2>
        <label>File name
          <input type="text" value={name} placeholder="my-car.toml" spellcheck={false} onInput={(event) => setName(event.currentTarget.value)} />
        </label>
        <p class="note">In {state.file.folder}. A file of that name is kept beside it as {name || "my-car.toml"}.old-1, -2 and so on. Comments stay.</p>
        {state.changed.length > 0 ? <p>{state.changed.length} {state.changed.length === 1 ? "key differs" : "keys differ"} from the file.</p> : <p>Nothing differs from the file.</p>}
        {answer && <p class="refused" role="alert">{answer.text}</p>}
        <div class="buttons">
          <button type="button" onClick={close}>Cancel</button>
          {answer?.taken && <button type="button" onClick={() => save(true)}>Replace it, keeping the old one beside it</button>}
          <button type="submit" class="main">Save</button>
        </div>
      </form>
    </dialog>
  );
}

matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
  forgetColours();
  for (const { plot } of plots) redraw(plot);
  repaint();
});
render(<Desk />, document.getElementById("desk"));
