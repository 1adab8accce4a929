/**
 * Bundles the extension into dist/; with `--tests` also every test into dist/test/.
 *
 * The editor brings its API as the module `vscode`, so that one stays outside the bundle.
 */

import { build } from "esbuild";
import { readdir, rm } from "node:fs/promises";

const common = {
  bundle: true,
  platform: "node",
  format: "cjs",
  target: "node20",
  external: ["vscode"],
  logLevel: "warning",
};

await rm("dist", { recursive: true, force: true });
await build({ ...common, entryPoints: ["src/extension.ts"], outdir: "dist", minify: true, sourcemap: true });
if (process.argv.includes("--tests")) {
  const tests = (await readdir("test")).filter((name) => name.endsWith(".test.ts")).sort();
  const entryPoints = tests.map((name) => `test/${name}`);
  await build({ ...common, entryPoints, outdir: "dist/test", sourcemap: "inline" });
}
