// The one connection to the program: what the page asks for goes out, states come in.
import { useEffect, useLayoutEffect, useRef, useState } from "preact/hooks";

const TRIES = 5;
const MEASURE = "change to picture";
const ANSWER_MS = 24;

// A step of undo: changes of one setting that follow one another closely, or of one drag.
let gestureNumber = 0;
let gestureOf = "";
let gestureAt = 0;
export const gesture = (name, fresh = false) => {
  const now = performance.now();
  if (fresh || name !== gestureOf || now - gestureAt > 900) gestureNumber += 1;
  gestureOf = name;
  gestureAt = now;
  return `${session}-${gestureNumber}`;
};
const session = Math.random().toString(36).slice(2, 10);

/** What the page has with what a message says is new; what is not new stays the same object. */
function renewed(state, { gone, new: now }) {
  const made = { ...state };
  const own = new Set([made]);
  const above = (path) => path.slice(0, -1).reduce((below, key) => {
    if (!own.has(below[key])) own.add((below[key] = { ...below[key] }));
    return below[key];
  }, made); // prettier-ignore
  for (const path of gone) delete above(path)[path.at(-1)];
  for (const [path, value] of now) above(path)[path.at(-1)] = value;
  return made;
}

export function useDesk() {
  const [state, setState] = useState(null);
  const [said, setSaid] = useState(null);
  const [logs, setLogs] = useState(null);
  const [connected, setConnected] = useState(true);
  const [mine, setMine] = useState({}); // settings on their way: name -> { value, id }
  const live = useRef({ socket: null, id: 0, began: new Map(), state: {}, mine: {}, later: 0, values: {} });
  const show = (now) => {
    clearTimeout(live.current.later);
    live.current.later = 0;
    live.current.mine = now;
    setMine(now);
  };

  useEffect(() => {
    let tries = 0;
    let ended = false;
    const open = () => {
      const socket = new WebSocket(`${location.href.replace(/^http/, "ws").replace(/[^/]*$/, "")}live`);
      live.current.socket = socket;
      socket.onopen = () => {
        tries = 0;
        live.current.id = 0;
        live.current.began.clear();
        live.current.state = {};
        show({});
        setConnected(true);
      };
      socket.onmessage = (event) => {
        const message = JSON.parse(event.data);
        if (message.kind === "said") {
          setSaid({ ...message, at: performance.now() });
          return;
        }
        if (message.kind === "logs") {
          setLogs(message);
          return;
        }
        const kept = live.current;
        kept.state = renewed(kept.state, message);
        setState({ disk: null, ...kept.state, fresh: message.fresh });
        kept.values = kept.state.values;
        show(Object.fromEntries(Object.entries(kept.mine).filter(([, one]) => one.id > kept.state.heard)));
      };
      socket.onclose = () => {
        if (ended) return;
        setConnected(false);
        tries += 1;
        if (tries <= TRIES) setTimeout(open, 400 * 2 ** tries);
      };
    };
    open();
    return () => {
      ended = true;
      live.current.socket.close();
    };
  }, []);

  // When a state has been laid out, before the frame that shows it: how long since the change that it answers.
  useLayoutEffect(() => {
    if (!state?.fresh) return;
    const { began } = live.current;
    const answered = [...began.keys()].filter((id) => id <= state.heard);
    if (!answered.length) return;
    const start = began.get(answered[answered.length - 1]);
    answered.forEach((id) => began.delete(id));
    requestAnimationFrame(() => {
      // a task posted from the frame runs after the frame was painted
      const painted = new MessageChannel();
      painted.port1.onmessage = () => performance.measure(MEASURE, { start, end: performance.now() });
      painted.port2.postMessage(0);
    });
  }, [state]);

  const ask = (what, more = {}, stamp = performance.now()) => {
    const kept = live.current;
    if (kept.socket?.readyState !== WebSocket.OPEN) return 0;
    kept.id += 1;
    if (performance.getEntriesByName(MEASURE).length > 2000) performance.clearMeasures(MEASURE);
    if (what === "set") kept.began.set(kept.id, stamp);
    kept.socket.send(JSON.stringify({ do: what, id: kept.id, ...more }));
    return kept.id;
  };
  // In a drag the handle waits a moment for its answer: both in one picture take half the work of two.
  const set = (values, of, stamp, drags = false) => {
    const kept = live.current;
    const id = ask("set", { values, gesture: of }, stamp);
    if (!id) return;
    kept.mine = { ...kept.mine, ...Object.fromEntries(Object.entries(values).map(([name, value]) => [name, { value, id }])) };
    if (drags) kept.later ||= setTimeout(() => show(kept.mine), ANSWER_MS);
    else show(kept.mine);
  };
  /** Draws what waits for its answer: the hand let go. */
  const settle = () => live.current.later && show(live.current.mine);
  /** A setting as it was last asked for, which may not be drawn yet. */
  const latest = (name) => live.current.mine[name]?.value ?? live.current.values[name];
  const values = { ...state?.values };
  for (const [name, one] of Object.entries(mine)) values[name] = one.value;
  const tell = (text, fine, about) => setSaid({ text, fine, about, at: performance.now() });
  // They hold nothing of one drawing, so that those of the first serve for all.
  const does = useRef(null);
  does.current ??= { ask, set, tell, latest, settle };
  return { state, values, said, setSaid, logs, connected, ...does.current };
}
