/**
 * Writes package-lock.json anew after a change of package.json: `npm run lock`.
 *
 * What only serves advertising goes, so that the lock holds no address at all; a test of the project keeps it so.
 */

import { execFileSync } from "node:child_process";
import { readFileSync, writeFileSync } from "node:fs";

const LOCK = "package-lock.json";
const windows = process.platform === "win32";
execFileSync("npm", ["install", "--package-lock-only", "--ignore-scripts"], { stdio: "inherit", shell: windows });
const lock = JSON.parse(readFileSync(LOCK, "utf-8"));
for (const one of Object.values(lock.packages)) delete one.funding;
writeFileSync(LOCK, `${JSON.stringify(lock, null, 2)}\n`);
