/** The server as this package knows it: settings, findings, changes and the two questions of our own. */

import assert from "node:assert/strict";
import { join } from "node:path";
import { test } from "node:test";
import { EXAMPLES } from "./places";
import { Pipe } from "./pipe";

const RULE = "min-beta-drive";

test("open, see the finding, apply its proven change, see it clear, close", async (context) => {
  const pipe = new Pipe();
  context.after(() => pipe.kill());
  await pipe.initialize();
  assert.ok(pipe.capabilities.codeActionProvider);
  await pipe.open(join(EXAMPLES, "workshop-lamp.yaml"));
  const before = pipe.text;

  const found = await pipe.findings("the finding", 0, (all) => all.some(({ code }) => code === RULE));
  const finding = found.find(({ code }) => code === RULE);
  assert.ok(finding);
  assert.equal(finding.source, "thumbrule");
  assert.equal(finding.severity, 1);
  assert.ok((finding.relatedInformation ?? []).length > 0);

  const actions = await pipe.actions([finding], ["quickfix"]);
  const mend = actions.find((action) => action.isPreferred === true);
  assert.ok(mend, JSON.stringify(actions));
  const { edits, version } = await pipe.edits(mend);
  assert.equal(version, pipe.version);
  const sent = pipe.told.length;
  await pipe.change(edits);
  const after = await pipe.findings("a text without it", sent, (all) => all.every(({ code }) => code !== RULE));
  assert.deepEqual(after.filter(({ severity }) => severity === 1), []);
  // The comment behind the changed value is still there, and every other line is untouched.
  const changed = pipe.text.split("\n").filter((line, at) => line !== before.split("\n")[at]);
  assert.equal(changed.length, 1);
  assert.match(changed[0] ?? "", /^ {2}R1: .*\}\} {2}# too large$/);

  const told = pipe.told.length;
  await pipe.connection.sendNotification("textDocument/didClose", { textDocument: { uri: pipe.uri } });
  while (pipe.told.length === told) await new Promise((resume) => setTimeout(resume, 5));
  assert.deepEqual(pipe.told.at(-1)?.diagnostics, []);
  assert.equal(await pipe.end(), 0);
  assert.equal(pipe.errors, "");
});

test("the states of a circuit and the lesson of a rule can be asked for", async (context) => {
  const pipe = new Pipe();
  context.after(() => pipe.kill());
  await pipe.initialize();
  await pipe.open(join(EXAMPLES, "workshop-lamp.yaml"));
  const states = await pipe.connection.sendRequest("thumbrule/states", { textDocument: { uri: pipe.uri } });
  assert.deepEqual(states, { states: ["dark", "bright"] });
  const lesson = await pipe.connection.sendRequest<{ markdown: string }>("thumbrule/lesson", { slug: RULE });
  assert.match(lesson.markdown, /^# .*\n/);
  assert.ok(lesson.markdown.includes(RULE));
  const none = await pipe.connection.sendRequest("thumbrule/lesson", { slug: "no-such-rule" });
  assert.deepEqual(none, { markdown: null });
  const gone = await pipe.connection.sendRequest("thumbrule/states", { textDocument: { uri: "file:///none.yaml" } });
  assert.deepEqual(gone, { states: [] });
  assert.equal(await pipe.end(), 0);
});

test("a half-typed text has its problems told, and the whole one is reviewed again", async (context) => {
  const pipe = new Pipe();
  context.after(() => pipe.kill());
  await pipe.initialize();
  await pipe.open(join(EXAMPLES, "shed-fan.json"));
  const whole = pipe.text;
  const first = await pipe.findings("the first review", 0, () => true);
  const lines = whole.split("\n");
  const half = { start: { line: 8, character: 0 }, end: { line: lines.length, character: 0 } };
  const cut = pipe.told.length;
  await pipe.change([{ range: half, newText: "" }]);
  const broken = await pipe.findings("its problems", cut, (all) => all.some(({ code }) => code === "document"));
  assert.ok(broken.every(({ range }) => range.start.line < 9));
  const back = pipe.told.length;
  const at = { line: 8, character: 0 };
  await pipe.change([{ range: { start: at, end: at }, newText: lines.slice(8).join("\n") }]);
  assert.equal(pipe.text, whole);
  const codes = (all: readonly { code?: unknown }[]): string => JSON.stringify(all.map(({ code }) => code).sort());
  await pipe.findings("the same findings as at first", back, (all) => codes(all) === codes(first));
  assert.equal(await pipe.end(), 0);
});
