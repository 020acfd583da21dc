// A report: draws the figures into the page that `bench.document` has written, and follows its buttons.
import { render } from "preact";
import { unpack } from "./columns.js";
import { forgetColours } from "./looks.jsx";
import { pictureOf, plots, redraw } from "./plot.js";
import { Cloud, CloudView } from "./points.jsx";
import "./strip.css";
import "./report.css";
import { Panels, Strip } from "./strip.jsx";
import { lightRow, sort, watchTables } from "./tables.js";
import { Way } from "./way.jsx";
import { WhatIf, WhatIfView } from "./what-if.jsx";

const root = document.documentElement;
const wide = matchMedia("(prefers-color-scheme: dark)");
const printing = matchMedia("print");
const strips = {};
const clouds = [];
let asked = null; // the scheme the person chose
let onPaper = false;
const whatIf = {};

function setScheme() {
  const dark = !onPaper && (asked ? asked === "dark" : wide.matches);
  root.dataset.scheme = dark ? "dark" : "light";
  document.getElementById("scheme").textContent = dark ? "Light" : "Dark";
  forgetColours();
  for (const { plot } of plots) redraw(plot);
}

/** On paper every plot is a picture that fits the page's width, in the light colours; all that is folded is open. */
function setPaper(paper) {
  if (paper === onPaper) return;
  onPaper = paper;
  if (paper) for (const strip of Object.values(strips)) strip.catchUp();
  setScheme();
  for (const one of plots) {
    one.stage.querySelector("img")?.remove();
    if (!paper) continue;
    const picture = new Image();
    picture.alt = "";
    picture.src = pictureOf(one);
    one.stage.append(picture);
  }
  if (paper) root.dataset.paper = "";
  else delete root.dataset.paper;
  for (const one of document.querySelectorAll("details")) {
    if (paper && !one.open) one.dataset.folded = "";
    if (paper || one.dataset.folded !== undefined) one.open = paper;
    if (!paper) delete one.dataset.folded;
  }
}

/** Shows the place of a figure that a button stands for. */
function jump({ figure, start, stop, at, from, to }) {
  for (const other of document.querySelectorAll("[aria-current]")) other.removeAttribute("aria-current");
  for (const button of document.querySelectorAll("button[data-figure]")) {
    const its = button.dataset;
    if (its.figure === figure && its.start === start && its.at === at) button.setAttribute("aria-current", "true");
  }
  strips[figure].jump(+start, +stop, +at, from === undefined ? null : [+from, +to]);
  const shown = document.getElementById(`figure-${figure}`);
  const { top } = shown.querySelector(".plots").getBoundingClientRect();
  if (top < 0 || top > innerHeight * 0.6) shown.scrollIntoView({ block: "start" });
}

function lightPoint(id) {
  for (const cloud of clouds) {
    const i = cloud.all.findIndex((one) => one.id === id);
    if (i >= 0) cloud.light(i);
  }
  lightRow(id);
}

function follow(event) {
  const button = event.target.closest("button");
  if (!button) return;
  if (button.classList.contains("sort")) sort(button.closest("th"));
  else if (button.dataset.point !== undefined) lightPoint(button.dataset.point);
  else if (strips[button.dataset.figure]) jump(button.dataset);
}

async function showStrip(spec) {
  const columns = Object.values(spec.series).flatMap((series) => Object.values(series.columns));
  for (const panel of spec.panels) if (panel.kind === "events") columns.push(panel.tick, panel.place, panel.off);
  await Promise.all(columns.map(unpack));
  const strip = (strips[spec.name] = new Strip(spec));
  const figure = document.getElementById(`figure-${spec.name}`);
  const place = figure.querySelector(".plots");
  const where = figure.querySelector(".where");
  for (const button of figure.querySelectorAll("[data-do]")) button.addEventListener("click", () => strip.do(button.dataset.do));
  place.addEventListener("keydown", (event) => strip.key(event));
  render(<Panels strip={strip} changed={() => { where.textContent = strip.where; }} />, place); // prettier-ignore
}

function showCloud(spec) {
  const cloud = new Cloud(spec);
  clouds.push(cloud);
  render(<CloudView cloud={cloud} />, cloud.plots);
  cloud.mount();
}

function showWay(spec) {
  const place = document.getElementById(`map-${spec.name}`);
  const grid = { current: place.querySelector("table") };
  render(<Way cells={spec} lifts={spec.lifts} points={spec.points} grid={grid} />, place.querySelector(".over"));
}

/** Opens on demand: what is not asked for costs nothing. */
function offer(spec) {
  const place = document.getElementById(`what-if-${spec.figure}`);
  return new Promise((opened) => {
    place.addEventListener("toggle", async () => {
      if (!place.open || place.dataset.ready) return;
      place.dataset.ready = "true";
      const it = await WhatIf.open(spec, strips[spec.figure]);
      render(<WhatIfView it={it} />, place.querySelector("div"));
      opened(it);
    });
  });
}

async function main() {
  setScheme();
  watchTables();
  wide.addEventListener("change", setScheme);
  printing.addEventListener("change", () => setPaper(printing.matches));
  addEventListener("beforeprint", () => setPaper(true));
  addEventListener("afterprint", () => setPaper(false));
  document.getElementById("scheme").addEventListener("click", () => {
    asked = root.dataset.scheme === "dark" ? "light" : "dark";
    setScheme();
  });
  document.getElementById("print").addEventListener("click", () => print());
  document.addEventListener("click", follow);
  for (const spec of JSON.parse(document.getElementById("figures").textContent)) {
    if (spec.kind === "strip") await showStrip(spec);
    else if (spec.kind === "points") showCloud(spec);
    else if (spec.kind === "map") showWay(spec);
    else whatIf[spec.figure] = offer(spec);
  }
  if (printing.matches) setPaper(true);
  root.dataset.ready = "true";
  return { strips, clouds, whatIf };
}

window.liftlatch = main();
window.liftlatch.catch((error) => {
  const alarm = document.createElement("p");
  alarm.className = "alarm";
  alarm.textContent = `The pictures could not be drawn by this browser; all tables and texts are here. ${error}`;
  document.querySelector("nav").after(alarm);
});
