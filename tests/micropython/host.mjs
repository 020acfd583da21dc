// Runs check.py in MicroPython with a folder of the caller's copied to its root: node host.mjs FOLDER
import fs from "node:fs";
import path from "node:path";
import { fileURLToPath } from "node:url";
import { loadMicroPython } from "@micropython/micropython-webassembly-pyscript/micropython.mjs";

const here = path.dirname(fileURLToPath(import.meta.url));
const build = path.join(here, "node_modules/@micropython/micropython-webassembly-pyscript");
const micropython = await loadMicroPython({
  heapsize: 16 * 1024 * 1024,
  url: path.join(build, "micropython.wasm"),
});

function copy(from, to) {
  for (const entry of fs.readdirSync(from, { withFileTypes: true })) {
    const source = path.join(from, entry.name);
    const target = `${to}/${entry.name}`;
    if (entry.isDirectory()) {
      micropython.FS.mkdir(target);
      copy(source, target);
    } else {
      micropython.FS.writeFile(target, fs.readFileSync(source));
    }
  }
}

copy(process.argv[2], "");
micropython.runPython(fs.readFileSync(path.join(here, "check.py"), "utf8"));
