/** How the server is started: from the setting to a program that really is there, or to words that say what to do. */

import { constants, accessSync, statSync } from "node:fs";
import { homedir } from "node:os";
import { delimiter, isAbsolute, join, resolve } from "node:path";

/** What the search depends on; given by hand in tests. */
export interface Surroundings {
  readonly platform: NodeJS.Platform;
  readonly env: Readonly<Record<string, string | undefined>>;
  readonly home: string;
  /** First folder of the workspace; `undefined` in a window without one. */
  readonly folder: string | undefined;
  readonly runnable: (path: string) => boolean;
}

/** A program with its arguments, ready to be started without a shell. */
export interface Launch {
  readonly program: string;
  readonly args: readonly string[];
  readonly cwd: string | undefined;
  /** The variables of this process and those that make the server write UTF-8 and at once. */
  readonly env: Readonly<Record<string, string>>;
}

/** The command cannot be started; the message is for the reader. */
export class CannotStart extends Error {
  override readonly name = "CannotStart";
}

/** This machine, with the first folder of the workspace. */
export function here(folder: string | undefined): Surroundings {
  return { platform: process.platform, env: process.env, home: homedir(), folder, runnable };
}

function runnable(path: string): boolean {
  try {
    accessSync(path, constants.X_OK);
    return statSync(path).isFile();
  } catch {
    return false;
  }
}

/**
 * The command of the settings with its variables put in and its program found.
 *
 * `${workspaceFolder}`, `${userHome}`, `${env:NAME}` and a leading `~/` are understood.  A program without a folder is
 * looked for in PATH; one with a relative folder is taken from the workspace.
 *
 * @throws CannotStart with what was looked for and what helps.
 */
export function launch(command: readonly string[], around: Surroundings): Launch {
  const [first = "", ...args] = command.map((word) => expanded(word, around));
  const program = found(first, around);
  if (program === undefined) throw new CannotStart(missing(first));
  const env: Record<string, string> = {};
  for (const [name, value] of Object.entries(around.env)) if (value !== undefined) env[name] = value;
  return { program, args, cwd: around.folder, env: { ...env, PYTHONIOENCODING: "utf-8", PYTHONUNBUFFERED: "1" } };
}

function expanded(word: string, around: Surroundings): string {
  return word.replace(/^~(?=[\\/])/, around.home).replace(/\$\{(\w+)(?::(\w+))?\}/g, (whole, kind, name) => {
    if (kind === "workspaceFolder" && name === undefined) {
      if (around.folder === undefined) {
        throw new CannotStart(`The setting thumbrule.command names ${whole}, but no folder is open.`);
      }
      return around.folder;
    }
    if (kind === "userHome" && name === undefined) return around.home;
    if (kind === "env" && name !== undefined) return around.env[name as string] ?? "";
    throw new CannotStart(
      `The setting thumbrule.command names ${whole}, which is not known. ` +
        "Known are ${workspaceFolder}, ${userHome} and ${env:NAME}.",
    );
  });
}

function found(program: string, around: Surroundings): string | undefined {
  const endings = around.platform === "win32" ? ["", ...(around.env["PATHEXT"] ?? ".EXE").split(";")] : [""];
  // Without a shell only real programs can be started there; .cmd and .bat are left out.
  const tried = (path: string): string | undefined =>
    endings
      .filter((ending) => !/^\.(cmd|bat)$/i.test(ending))
      .map((ending) => path + ending)
      .find((candidate) => around.runnable(candidate));
  if (program === "") return undefined;
  if (isAbsolute(program)) return tried(program);
  if (/[\\/]/.test(program)) return around.folder === undefined ? undefined : tried(resolve(around.folder, program));
  const folders = (around.env["PATH"] ?? around.env["Path"] ?? "").split(delimiter);
  // A relative entry of PATH would mean the folder of whichever project is open.
  return folders
    .filter((folder) => isAbsolute(folder))
    .map((folder) => tried(join(folder, program)))
    .find((path) => path !== undefined);
}

function missing(program: string): string {
  const where = /[\\/]/.test(program) ? `There is no program ${program}` : `There is no program ${program} in PATH`;
  return (
    `${where}, so circuits are not reviewed. Install thumbrule with pip, or name its program in the setting ` +
    'thumbrule.command, such as ["${workspaceFolder}/.venv/bin/thumbrule", "language-server"].'
  );
}
