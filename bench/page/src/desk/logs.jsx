// A log of one's own: brought, understood, corrected, and taken as the run that is shown.
import { scaleLinear } from "d3-scale";
import { useEffect, useRef, useState } from "preact/hooks";
import { useWidth } from "./parts.jsx";
import { bring } from "./transfer.js";

/** Takes files that are dropped anywhere on the page, one after the other. */
export function useBringing(tell, largest, ask) {
  const [busy, setBusy] = useState("");
  const [shown, setShown] = useState(null); // the number of the log that is looked at
  const take = async (files) => {
    const ready = [];
    for (const file of files) {
      setBusy(file.name);
      const answer = await bring(file, largest);
      if (answer.fine) setShown(answer.log);
      else tell(answer.text, false, "log");
      if (answer.fine && answer.read) ready.push(answer.log);
    }
    setBusy("");
    // Several at once lie over each other, where nothing has to be said of any first.
    if (ready.length > 1 && ready.length === files.length) ready.forEach((log, n) => ask(n ? "log lay" : "log use", { log }));
  };
  const told = useRef(take);
  told.current = take;
  useEffect(() => {
    const over = (event) => event.dataTransfer.types.includes("Files") && event.preventDefault();
    const drop = (event) => {
      if (!event.dataTransfer.files.length) return;
      event.preventDefault();
      told.current([...event.dataTransfer.files]);
    };
    addEventListener("dragover", over);
    addEventListener("drop", drop);
    return () => {
      removeEventListener("dragover", over);
      removeEventListener("drop", drop);
    };
  }, []);
  return { busy, shown, setShown, take };
}

export function Logs({ logs, folder, bringing, ask, said, close }) {
  const dialog = useRef(null);
  const opened = useRef(performance.now());
  useEffect(() => dialog.current.showModal(), []);
  const { busy, shown, setShown, take } = bringing;
  const log = logs.logs.find((one) => one.number === shown) ?? logs.logs.at(-1);
  const answer = said && said.at > opened.current && said.about.startsWith("log") ? said : null;
  return (
    <dialog ref={dialog} class="wide" onClose={close} onCancel={close} aria-labelledby="logs-title">
      <div class="title">
        <h2 id="logs-title">Your log</h2>
        <button type="button" onClick={close}>Close</button>
      </div>
      <label class="drop">
        <span>Drop logs here, or choose them: CSV or MDF 4, as they come off the logger.</span>
        <input type="file" multiple accept=".csv,.txt,.tsv,.log,.mf4,.mdf" onChange={(event) => { take([...event.currentTarget.files]); event.currentTarget.value = ""; }} />
      </label>
      <p role="status" class="note">{busy && `Reading ${busy} …`}</p>
      {answer && <p class={answer.fine ? "bar fine" : "refused"} role={answer.fine ? "status" : "alert"}>{answer.text}</p>}
      {logs.logs.length > 1 && (
        <div class="choice" role="radiogroup" aria-label="Logs">
          {logs.logs.map((one) => (
            <label key={one.number}><input type="radio" name="log" checked={one === log} onChange={() => setShown(one.number)} /> {one.name}</label>
          ))}
        </div>
      )}
      {log && <One key={log.number} log={log} signals={logs.signals} folder={folder} ask={ask} />}
    </dialog>
  );
}

function One({ log, signals, folder, ask }) {
  const [run, setRun] = useState(log.run ?? null);
  const [layout, setLayout] = useState("logger.toml");
  useEffect(() => setRun(log.run ?? null), [log.run]);
  const passes = log.passes ?? [];
  return (
    <section class="log" aria-label={log.name}>
      <h3>{log.name}</h3>
      <p class="note">{log.form}{log.rows ? `, ${log.rows} rows, ${Number(log.rate_hz.toPrecision(4))} a second` : ""}</p>
      {log.missing.length > 0 && (
        <div class="refused"><b>Missing still: say it in the table below, or answer yes where it is right.</b><ul>{log.missing.map((text) => <li key={text}>{text}</li>)}</ul></div>
      )}
      {log.doubts?.length > 0 && <div class="refused"><b>Look at this first.</b><ul>{log.doubts.map((text) => <li key={text}>{text}</li>)}</ul></div>}
      {log.own_controller && log.read && <p class="note">What the car's own controller commanded is in it, and lies over the replay.</p>}
      {log.strip && <Passes strip={log.strip} passes={passes} run={run} setRun={setRun} />}
      <div class="buttons">
        <button type="button" onClick={() => ask("log away", { log: log.number })}>Put it away</button>
        <button type="button" disabled={!log.read} onClick={() => ask("log lay", { log: log.number, ...(run && { run }) })} title="both from their launch on">Lay it over the run</button>
        <button type="button" class="main" disabled={!log.read} onClick={() => ask("log use", { log: log.number, ...(run && { run }) })}>Show this run</button>
      </div>
      <Columns log={log} signals={signals} ask={ask} />
      <form class="keep-layout" onSubmit={(event) => { event.preventDefault(); ask("log layout", { log: log.number, name: layout }); }}>
        <label>Keep how it is read as a layout
          <input type="text" value={layout} spellcheck={false} onInput={(event) => setLayout(event.currentTarget.value)} />
        </label>
        <button type="submit">Keep</button>
        <p class="note">In {folder}. Later logs with this header are read by it.</p>
      </form>
    </section>
  );
}

// The height over the whole log, with its passes to choose from.
function Passes({ strip, passes, run, setRun }) {
  const [box, width] = useWidth();
  const height = 110;
  const x = scaleLinear([strip.from, strip.to], [4, Math.max(5, width - 4)]);
  const most = Math.max(...strip.v);
  const y = scaleLinear([Math.min(...strip.v), most === Math.min(...strip.v) ? most + 1 : most], [height - 22, 10]);
  const path = strip.t.map((t, i) => `${i ? "L" : "M"}${x(t).toFixed(1)} ${y(strip.v[i]).toFixed(1)}`).join("");
  return (
    <div class="passes">
      <div ref={box} class="chart" aria-hidden="true">
        {width > 0 && (
          <svg width={width} height={height}>
            {passes.map((one) => (
              <rect key={one.number} class={one.number === run ? "pass chosen" : "pass"} x={x(one.start_s)} y="2" width={Math.max(3, x(one.end_s) - x(one.start_s))} height={height - 20} onClick={() => setRun(one.number)} />
            ))}
            <path class="lift" d={path} />
            <text x="4" y={height - 4}>{Number(strip.from.toFixed(1))} s</text>
            <text x={width - 4} y={height - 4} text-anchor="end">{Number(strip.to.toFixed(1))} s, height in {strip.unit}</text>
          </svg>
        )}
      </div>
      {passes.length > 0 && (
        <div class="choice" role="radiogroup" aria-label="Passes of the log">
          {passes.map((one) => (
            <label key={one.number}><input type="radio" name="pass" checked={one.number === run} onChange={() => setRun(one.number)} /> {one.number}: {one.text}</label>
          ))}
        </div>
      )}
    </div>
  );
}

function Columns({ log, signals, ask }) {
  const [atFirst] = useState(log.missing.length > 0); // it stays open while things are said in it
  const words = Object.fromEntries(signals.map((one) => [one.role, one]));
  const say = (column, role, unit) => ask("log column", { log: log.number, column, role, unit });
  return (
    <details open={atFirst}>
      <summary>Columns and units: what is what</summary>
      <div class="scroll" tabindex={0} role="region" aria-label="Columns of the log">
        <table class="columns">
          <thead><tr><th scope="col">column</th><th scope="col">holds</th><th scope="col">is the</th><th scope="col">unit</th><th scope="col">because</th></tr></thead>
          <tbody>
            {log.columns.map((one) => (
              <tr key={one.column} data-column={one.column}>
                <th scope="row">{one.column} {one.name || "(no name)"}</th>
                <td>{one.kind === "empty" ? "empty" : `${one.min == null ? "" : `${Number(one.min.toPrecision(6))} to ${Number(one.max.toPrecision(6))}; `}${one.samples.join(", ")}`}</td>
                <td>
                  <select aria-label={`column ${one.column} is`} value={one.role} onChange={(event) => say(one.column, event.currentTarget.value, "")}>
                    <option value="">nothing</option>
                    {signals.map(({ role, words: text }) => <option key={role} value={role}>{text}</option>)}
                  </select>
                </td>
                <td>
                  {one.role && words[one.role].units.length > 0 && (
                    <Unit column={one.column} unit={one.unit} examples={words[one.role].units} onSet={(unit) => say(one.column, one.role, unit)} />
                  )}
                  {one.role && !one.taken && <button type="button" class="small" onClick={() => say(one.column, one.role, one.unit)} aria-label={`column ${one.column} is that`}>Yes</button>}
                </td>
                <td class="why">{one.why.join("; ")}</td>
              </tr>
            ))}
          </tbody>
        </table>
      </div>
      <label class="rate">Rows a second, where no column is the time{" "}
        <input type="number" min="0" step="any" value={log.rate_given ?? ""} onChange={(event) => ask("log rate", { log: log.number, rate: event.currentTarget.value === "" ? null : event.currentTarget.valueAsNumber })} />
      </label>
    </details>
  );
}

// What is typed stays until it is left, whatever comes in meanwhile.
function Unit({ column, unit, examples, onSet }) {
  const [typed, setTyped] = useState(null);
  return (
    <input
      type="text"
      class="unit-field"
      aria-label={`unit of column ${column}`}
      value={typed ?? unit}
      placeholder={examples.join(", ")}
      spellcheck={false}
      onInput={(event) => setTyped(event.currentTarget.value)}
      onChange={(event) => { onSet(event.currentTarget.value); setTyped(null); }}
    />
  );
}

/** The questions of a start, for someone who has no calibration yet. */
export function Begin({ questions, folder, ask, said, close }) {
  const dialog = useRef(null);
  const opened = useRef(performance.now());
  const [answers, setAnswers] = useState({});
  useEffect(() => dialog.current.showModal(), []);
  const answer = said?.about === "begin" && !said.fine && said.at > opened.current ? said : null;
  return (
    <dialog ref={dialog} class="wide" onClose={close} onCancel={close} aria-labelledby="begin-title">
      <form onSubmit={(event) => { event.preventDefault(); ask("begin", { answers }); }}>
        <h2 id="begin-title">A calibration for this car</h2>
        <p class="note">
          Written into {folder} as calibration.toml, with car.toml for the car model. Numbers may carry their unit (47 in, 2650 lb).
          Each number in the files says whether it was measured, computed or guessed. It is a mild start, not a setting for a race.
        </p>
        <div class="questions">
          {questions.map((one) => (
            <label key={one.name}>
              <span>{one.asks}</span>
              <span class="hint">{one.measure}{one.unit && ` In ${one.unit} unless you say so.`}{one.guess && ` Left empty: ${one.guess}.`}</span>
              <input type="text" name={one.name} required={!one.guess} value={answers[one.name] ?? ""} spellcheck={false} autocomplete="off" onInput={(event) => setAnswers({ ...answers, [one.name]: event.currentTarget.value })} />
            </label>
          ))}
        </div>
        {answer && <p class="refused" role="alert">{answer.text}</p>}
        <div class="buttons">
          <button type="button" onClick={close}>Cancel</button>
          <button type="submit" class="main">Write the calibration</button>
        </div>
      </form>
    </dialog>
  );
}
