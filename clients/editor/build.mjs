/**
 * Bundles the extension into dist/; with `--tests` also every test into dist/test/.
 *
 * The editor brings its API as the module `vscode`, so that one stays outside the bundle.
 */

import { build } from "esbuild";
import { readdir, readFile, rm, writeFile } from "node:fs/promises";

const common = {
  bundle: true,
  platform: "node",
  format: "cjs",
  target: "node20",
  external: ["vscode"],
  logLevel: "warning",
};

await rm("dist", { recursive: true, force: true });
const extension = { ...common, entryPoints: ["src/extension.ts"], outdir: "dist", minify: true, metafile: true };
const { metafile } = await build(extension);
await writeFile("dist/NOTICES.txt", await notices(Object.keys(metafile.inputs)));
if (process.argv.includes("--tests")) {
  const tests = (await readdir("test")).filter((name) => name.endsWith(".test.ts")).sort();
  const entryPoints = tests.map((name) => `test/${name}`);
  await build({ ...common, entryPoints, outdir: "dist/test", sourcemap: "inline" });
}

/** The licences of the packages in the bundle, which ask to travel with it. */
async function notices(inputs) {
  const packages = [...new Set(inputs.flatMap((path) => /^node_modules\/((?:@[^/]+\/)?[^/]+)/.exec(path)?.[1] ?? []))];
  const texts = packages.sort().map(async (name) => {
    const folder = `node_modules/${name}`;
    const file = (await readdir(folder)).find((entry) => /^licen[cs]e/i.test(entry));
    if (file === undefined) throw new Error(`${folder} has no licence file to pass on`);
    return `${name}\n\n${(await readFile(`${folder}/${file}`, "utf-8")).trim()}\n`;
  });
  return (await Promise.all(texts)).join(`\n${"-".repeat(80)}\n\n`);
}
