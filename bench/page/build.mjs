// Writes static (or the folder given): the script and the style of each entry, the licences of the packages in it, and
// the desk's own page. The same sources and the same lock file give the same bytes.
import { build } from "esbuild";
import { copyFile, mkdir, readFile, readdir, writeFile } from "node:fs/promises";
import { dirname, join } from "node:path";
import { fileURLToPath } from "node:url";

const here = dirname(fileURLToPath(import.meta.url));
const out = process.argv[2] ?? join(here, "static");
const ENTRIES = { report: "src/report.jsx", desk: "src/desk/main.jsx", stand: "src/stand/main.jsx" };
await mkdir(out, { recursive: true });

async function licences(inputs) {
  const packages = new Set();
  for (const input of Object.keys(inputs)) {
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
  return text;
}

for (const [name, entry] of Object.entries(ENTRIES)) {
  const done = await build({
    absWorkingDir: here,
    entryPoints: { [name]: entry },
    outdir: out,
    bundle: true,
    minify: true,
    format: "iife",
    target: ["chrome110", "firefox110", "safari16.4"], // the first ones that unpack the numbers of a report
    jsx: "automatic",
    jsxImportSource: "preact",
    charset: "utf8",
    legalComments: "none",
    metafile: true,
  });
  await writeFile(join(out, `${name}-licences.txt`), await licences(done.metafile.inputs));
}
for (const name of ["index.html", "icon.svg"]) await copyFile(join(here, "src", "desk", name), join(out, name));
