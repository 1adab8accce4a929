/** Folders and programs of the checkout that the tests use; tests run from the folder of the extension. */

import { join, resolve } from "node:path";

export const EXTENSION = resolve(__dirname, "..", "..");
export const ROOT = resolve(EXTENSION, "..", "..");
export const EXAMPLES = join(ROOT, "clients", "examples");

/**
 * The command of the server, from THUMBRULE_COMMAND: a program, or a list in JSON.
 *
 * A test that needs it fails without it: a run that skipped it would prove nothing.
 */
export function serverCommand(): string[] {
  const given = process.env["THUMBRULE_COMMAND"];
  if (given === undefined || given === "") {
    throw new Error("THUMBRULE_COMMAND must name the program thumbrule; `python3 .ci/dev editor` sets it");
  }
  return given.startsWith("[") ? (JSON.parse(given) as string[]) : [given, "language-server"];
}
