// node run.mjs FOLDER: runs FOLDER/main.py in MicroPython's own interpreter; its standard output is ours, byte by byte.
import { readdirSync, readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { dirname, join } from "node:path";
import { pathToFileURL } from "node:url";

// Packages are found where NODE_PATH says, which modules of this kind do not look at by themselves.
const require = createRequire(join(process.cwd(), "x.js"));
const name = "@micropython/micropython-webassembly-pyscript";
const place = (process.env.NODE_PATH ?? "").split(":").concat("node_modules")
  .map((folder) => join(folder, name, "micropython.mjs"))
  .find((path) => { try { readFileSync(path); return true; } catch { return false; } });
if (!place) process.exit(3);
const { loadMicroPython } = await import(pathToFileURL(place).href);
const out = [];
const mp = await loadMicroPython({ linebuffer: false, heapsize: 4 << 20, stdout: (bytes) => { out.push(Buffer.from(bytes)); } });
for (const file of readdirSync(process.argv[2])) {
  mp.FS.writeFile(`/${file}`, readFileSync(join(process.argv[2], file)));
}
try {
  mp.runPython("exec(open('main.py').read())");
} catch (error) {
  if (!/SystemExit/.test(String(error))) { console.error(String(error)); process.exitCode = 1; }
}
process.stdout.write(Buffer.concat(out));
