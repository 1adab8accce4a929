import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { join } from "node:path";
import { test } from "node:test";
import { DEFAULTS, readSettings, serverOptions } from "../src/settings";
import { EXTENSION } from "./places";

interface Property {
  readonly type: string;
  readonly default: unknown;
}

const MANIFEST = JSON.parse(readFileSync(join(EXTENSION, "package.json"), "utf-8")) as {
  contributes: { configuration: { properties: Record<string, Property> }; commands: { command: string }[] };
  capabilities: { untrustedWorkspaces: { restrictedConfigurations: string[] } };
};
const PROPERTIES = MANIFEST.contributes.configuration.properties;
const FLAT: Record<string, unknown> = { command: DEFAULTS.command, files: DEFAULTS.files, ...DEFAULTS.server };

test("the manifest declares every setting with the default that the code has", () => {
  const declared = Object.fromEntries(Object.entries(PROPERTIES).map(([name, { default: value }]) => [name, value]));
  const known = Object.fromEntries(Object.entries(FLAT).map(([name, value]) => [`thumbrule.${name}`, value]));
  assert.deepEqual(declared, known);
});

test("a setting that starts a program or names a file needs a trusted workspace", () => {
  const restricted = MANIFEST.capabilities.untrustedWorkspaces.restrictedConfigurations;
  assert.deepEqual(restricted, ["thumbrule.command", "thumbrule.policy"]);
});

test("what is not set has its default, without a word", () => {
  assert.deepEqual(readSettings(() => undefined), { settings: DEFAULTS, problems: [] });
  assert.deepEqual(readSettings(() => null), { settings: DEFAULTS, problems: [] });
  assert.deepEqual(readSettings((name) => FLAT[name]), { settings: DEFAULTS, problems: [] });
});

test("what is set goes to the server under the project's name", () => {
  const given: Record<string, unknown> = {
    command: ["/opt/thumbrule", "language-server"],
    files: ["lamps/*.yaml"],
    remedies: false,
    debounce: 250,
    lessons: "http://127.0.0.1:8000",
    hintState: "bright",
    hintValues: false,
    policy: "bench/thumbrule.toml",
    owner: "Mara",
  };
  const { settings, problems } = readSettings((name) => given[name]);
  assert.deepEqual(problems, []);
  const { command, files, ...server } = given;
  assert.deepEqual([settings.command, settings.files], [command, files]);
  assert.deepEqual(serverOptions(settings), { thumbrule: server });
});

test("each setting that cannot be used is told with what was seen and keeps its default", () => {
  const bad: Record<string, unknown> = {
    command: [],
    files: "x.yaml",
    remedies: "yes",
    debounce: -1,
    lessons: "ftp://shed",
    hintState: 3,
    hintValues: ["voltage"],
    policy: false,
    owner: ["Mara"],
  };
  const { settings, problems } = readSettings((name) => bad[name]);
  assert.deepEqual(settings, DEFAULTS);
  assert.equal(problems.length, Object.keys(bad).length);
  for (const [name, value] of Object.entries(bad)) {
    const start = `thumbrule.${name} is ${JSON.stringify(value)}; needed is `;
    assert.equal(problems.filter((problem) => problem.startsWith(start)).length, 1, start);
  }
});

test("a command needs a program, a debounce needs a bound", () => {
  for (const command of [[""], [" ", "x"], ["thumbrule", 3], "thumbrule"]) {
    assert.equal(readSettings((name) => (name === "command" ? command : undefined)).problems.length, 1);
  }
  for (const debounce of [Infinity, NaN, 5001, 1.5, "60"]) {
    assert.equal(readSettings((name) => (name === "debounce" ? debounce : undefined)).problems.length, 1);
  }
  assert.equal(readSettings((name) => (name === "debounce" ? 0 : undefined)).settings.server.debounce, 0);
});
