// Writes ../static (or the folder given): desk.js, desk.css, index.html, icon.svg, and the licences of what is in
// them. The same sources and the same lock file give the same bytes.
import { build } from "esbuild";
import { copyFile, mkdir, readFile, readdir, writeFile } from "node:fs/promises";
import { dirname, join } from "node:path";
import { fileURLToPath } from "node:url";

const here = dirname(fileURLToPath(import.meta.url));
const out = process.argv[2] ?? join(here, "..", "static");
await mkdir(out, { recursive: true });

const done = await build({
  absWorkingDir: here,
  entryPoints: { desk: "src/main.jsx" },
  outdir: out,
  bundle: true,
  minify: true,
  format: "esm",
  target: ["chrome110", "firefox110", "safari16"],
  jsx: "automatic",
  jsxImportSource: "preact",
  charset: "utf8",
  legalComments: "none",
  metafile: true,
});

const packages = new Set();
for (const input of Object.keys(done.metafile.inputs)) {
  const found = input.match(/^node_modules\/((?:@[^/]+\/)?[^/]+)\//);
  if (found) packages.add(found[1]);
}
let text = "The page contains code of these packages, under the licences below.\n";
for (const name of [...packages].sort()) {
  const folder = join(here, "node_modules", name);
  const { version } = JSON.parse(await readFile(join(folder, "package.json"), "utf8"));
  const file = (await readdir(folder)).find((entry) => /^licen[cs]e/i.test(entry));
  text += `\n${"-".repeat(72)}\n${name} ${version}\n\n${(await readFile(join(folder, file), "utf8")).trim()}\n`;
}
await writeFile(join(out, "licences.txt"), text);
for (const name of ["index.html", "icon.svg"]) await copyFile(join(here, "src", name), join(out, name));
