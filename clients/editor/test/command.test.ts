import assert from "node:assert/strict";
import { chmodSync, mkdirSync, mkdtempSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { test } from "node:test";
import { CannotStart, here, launch, type Surroundings } from "../src/command";

const COMMAND = ["thumbrule", "language-server"];

function around(programs: string[], changes: Partial<Surroundings> = {}): Surroundings {
  return {
    platform: "linux",
    env: { PATH: "/usr/bin:/opt/bin", SHED: "/srv/shed" },
    home: "/home/mara",
    folder: "/yard/lamps",
    runnable: (path) => programs.includes(path),
    ...changes,
  };
}

test("a bare name is the first one in PATH", () => {
  const { program, args, cwd, env } = launch(COMMAND, around(["/opt/bin/thumbrule", "/usr/bin/thumbrule"]));
  assert.deepEqual([program, args, cwd], ["/usr/bin/thumbrule", ["language-server"], "/yard/lamps"]);
  assert.equal(env["SHED"], "/srv/shed");
  assert.equal(env["PYTHONIOENCODING"], "utf-8");
});

test("a relative entry of PATH starts nothing out of the open folder", () => {
  const poisoned = around(["bin/thumbrule", "/yard/lamps/bin/thumbrule"], { env: { PATH: "bin:.:" } });
  assert.throws(() => launch(COMMAND, poisoned), CannotStart);
});

test("variables and the home folder are put in, in the program and its arguments", () => {
  const known = around(["/yard/lamps/.venv/bin/thumbrule", "/home/mara/bin/thumbrule", "/srv/shed/thumbrule"]);
  const program = (first: string): string => launch([first], known).program;
  assert.equal(program("${workspaceFolder}/.venv/bin/thumbrule"), "/yard/lamps/.venv/bin/thumbrule");
  assert.equal(program("./.venv/bin/thumbrule"), "/yard/lamps/.venv/bin/thumbrule");
  assert.equal(program("~/bin/thumbrule"), "/home/mara/bin/thumbrule");
  assert.equal(program("${userHome}/bin/thumbrule"), "/home/mara/bin/thumbrule");
  assert.equal(program("${env:SHED}/thumbrule"), "/srv/shed/thumbrule");
  assert.deepEqual(launch(["~/bin/thumbrule", "--x=${env:SHED}${env:NONE}"], known).args, ["--x=/srv/shed"]);
});

test("where no program is, the words say what was looked for and what helps", () => {
  assert.throws(() => launch(COMMAND, around([])), {
    name: "CannotStart",
    message: /no program thumbrule in PATH.*Install thumbrule with pip.*thumbrule\.command/s,
  });
  assert.throws(() => launch(["/opt/none"], around([])), /There is no program \/opt\/none, so/);
  assert.throws(() => launch(["./thumbrule"], around(["/thumbrule"], { folder: undefined })), CannotStart);
  assert.throws(() => launch([], around([])), CannotStart);
});

test("a variable that is not known or has no value here is told", () => {
  assert.throws(() => launch(["${file}"], around([])), /names \$\{file\}, which is not known/);
  assert.throws(() => launch(["${workspaceFolder:x}/a"], around([])), /not known/);
  assert.throws(() => launch(["${workspaceFolder}/a"], around([], { folder: undefined })), /no folder is open/);
});

test("on Windows the known endings are tried, but nothing that needs a shell", () => {
  const windows = (programs: string[]): Surroundings =>
    around(programs, { platform: "win32", env: { PATH: "/tools", PATHEXT: ".CMD;.EXE" } });
  assert.equal(launch(COMMAND, windows(["/tools/thumbrule.CMD", "/tools/thumbrule.EXE"])).program, "/tools/thumbrule.EXE");
  assert.throws(() => launch(COMMAND, windows(["/tools/thumbrule.CMD"])), CannotStart);
});

test("a real file counts only if it may be run and is no folder", (context) => {
  if (process.platform === "win32") return context.skip("no such permissions");
  const folder = mkdtempSync(join(tmpdir(), "thumbrule-"));
  context.after(() => rmSync(folder, { recursive: true }));
  const file = join(folder, "thumbrule");
  writeFileSync(file, "#!/bin/sh\n");
  mkdirSync(join(folder, "folder"));
  chmodSync(file, 0o644);
  assert.throws(() => launch([file], here(undefined)), CannotStart);
  assert.throws(() => launch([join(folder, "folder")], here(undefined)), CannotStart);
  chmodSync(file, 0o755);
  assert.equal(launch([file], here(undefined)).program, file);
  return undefined;
});
