/** The built extension in a small editor, with the real server behind it: one session from start to end. */

import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { join } from "node:path";
import { after, before, test } from "node:test";
import { EXAMPLES, EXTENSION, ROOT, serverCommand } from "./places";
import { Editor } from "./stub";
import { Position, Range, TextEdit, type Diagnostic, type Hover, type InlayHint, type TextDocument } from "./stub_values";

interface Extension {
  activate(context: { subscriptions: { dispose(): unknown }[] }): Promise<void>;
  deactivate(): Promise<void>;
}

const RULE = "min-beta-drive";
const LAMP = readFileSync(join(EXAMPLES, "workshop-lamp.yaml"), "utf-8");
const MANIFEST = JSON.parse(readFileSync(join(EXTENSION, "package.json"), "utf-8")) as {
  contributes: { commands: { command: string }[] };
};

const editor = new Editor(ROOT);
const subscriptions: { dispose(): unknown }[] = [];
let extension: Extension;
let lamp: TextDocument;

const rules = (found: readonly Diagnostic[]): string[] =>
  found.map(({ code }) => String(typeof code === "object" ? code.value : code));
const has = (document: TextDocument, rule: string): boolean => rules(editor.shown(document)).includes(rule);
const starts = (): number => editor.logged.filter((line) => line.startsWith("starting ")).length;
const place = (document: TextDocument, text: string): Position => document.positionAt(document.getText().indexOf(text));

async function hints(document: TextDocument): Promise<string[]> {
  const whole = new Range(0, 0, document.lineCount, 0);
  const found = await editor.ask<InlayHint[] | undefined>("InlayHints", "provideInlayHints", document, whole);
  return (found ?? []).map(({ label }) => (typeof label === "string" ? label : label.map(({ value }) => value).join("")));
}

before(async () => {
  editor.install();
  editor.settings.set("thumbrule.command", serverCommand());
  editor.settings.set("thumbrule.owner", "Mara");
  // Loaded here, because only now the interface of the editor is there.
  extension = require(join(EXTENSION, "dist", "extension.js")) as Extension;
  await extension.activate({ subscriptions });
});

after(async () => {
  await extension.deactivate();
  for (const one of subscriptions) one.dispose();
});

test("every command of the manifest is there, and no server before the first circuit", async () => {
  const declared = MANIFEST.contributes.commands.map(({ command }) => command);
  assert.deepEqual([...editor.commands.keys()].sort(), declared.sort());
  const recipe = await editor.open("/srv/soup.yaml", "yaml", "title: Soup\n");
  assert.equal(starts(), 0);
  await editor.command("thumbrule.mendAll");
  assert.match(editor.messages.at(-1)?.text ?? "", /Open a circuit first/);
  await editor.close(recipe);
});

test("a circuit starts the server and shows its findings", async () => {
  lamp = await editor.open("/srv/lamp.yaml", "yaml", LAMP);
  await editor.until("the finding", () => has(lamp, RULE));
  assert.equal(starts(), 1);
  const finding = editor.shown(lamp).find((one) => rules([one])[0] === RULE);
  assert.equal(finding?.source, "thumbrule");
  assert.equal(finding?.severity, 0);
  // Told by the server and asked for by the client, each finding would stand there twice.
  assert.equal(rules(editor.shown(lamp)).filter((rule) => rule === RULE).length, 1);
});

test("the server is asked about circuits only", async () => {
  const recipe = await editor.open("/srv/soup.yaml", "yaml", "R1: {kind: resistor}\n");
  const at = new Position(0, 0);
  assert.equal(await editor.ask("Hover", "provideHover", recipe, at), undefined);
  const hover = await editor.ask<Hover | undefined>("Hover", "provideHover", lamp, place(lamp, "Q1:"));
  assert.match(hover?.contents.map(({ value }) => value).join("\n") ?? "", /Q1/);
  await editor.change(recipe, [new TextEdit(new Range(0, 0, 0, 2), "R2")]);
  await editor.save(recipe);
  await editor.close(recipe);
  assert.deepEqual(editor.shown(recipe), []);
  assert.deepEqual(editor.messages.filter(({ kind }) => kind === "error"), []);
});

test("a text that becomes a circuit is reviewed from then on, and each later key once", async () => {
  const typed = await editor.open("/srv/typed.yaml", "yaml", LAMP.replace("format: thumbrule/1", "format: "));
  assert.deepEqual(editor.shown(typed), []);
  const end = typed.positionAt(typed.getText().indexOf("format: ") + "format: ".length);
  await editor.change(typed, [new TextEdit(new Range(end, end), "thumbrule/1")]);
  await editor.until("its finding", () => has(typed, RULE));
  // A small resistor is right; had the server seen the change above twice, the text would not even be readable.
  const ten = place(typed, "10k");
  await editor.change(typed, [new TextEdit(new Range(ten, new Position(ten.line, ten.character + 3)), "680 ohm")]);
  await editor.until("no finding", () => !has(typed, RULE));
  assert.deepEqual(rules(editor.shown(typed)).filter((rule) => rule === "document"), []);
  // While the line with the format is typed anew the text stays a circuit, with a problem that is told.
  const format = place(typed, "thumbrule/1");
  const whole = new Range(format, new Position(format.line, format.character + "thumbrule/1".length));
  await editor.change(typed, [new TextEdit(whole, "")]);
  await editor.until("the problem", () => has(typed, "document"));
  await editor.close(typed);
  await editor.until("no findings of a closed text", () => editor.shown(typed).length === 0);
});

test("a file that the settings name is a circuit before it says so", async () => {
  const empty = await editor.open("/srv/new.circuit.yaml", "yaml", "name: new\n");
  await editor.until("its problems", () => has(empty, "document"));
  await editor.close(empty);
});

test("the lesson of the finding under the cursor opens beside the text", async () => {
  const at = editor.shown(lamp).find((one) => rules([one])[0] === RULE)?.range.start;
  assert.ok(at);
  editor.look(lamp, at.line, at.character);
  await editor.command("thumbrule.showLesson");
  const [shown] = editor.executed.splice(0);
  assert.equal(shown?.name, "markdown.showPreviewToSide");
  assert.ok(String(shown.all[0]).startsWith(`thumbrule-lesson:/${RULE}.md?file`));
  const page = await editor.contents.get("thumbrule-lesson")?.provideTextDocumentContent(shown.all[0] as never);
  assert.match(String(page), /^# /);
  assert.ok(String(page).includes(RULE));
  assert.match(String(page), /Q1/); // worked on this circuit
  // Where the cursor is on no finding, those of the text can be chosen from.
  const quiet = place(lamp, "ground:");
  editor.look(lamp, quiet.line, quiet.character);
  await editor.command("thumbrule.showLesson");
  assert.ok((editor.picks.at(-1)?.items as string[]).includes(RULE));
  assert.deepEqual(editor.executed, []);
});

test("the state for the hints is chosen from those of the circuit and kept as a setting", async () => {
  editor.answers.push("bright");
  await editor.command("thumbrule.chooseHintState");
  const labels = (editor.picks.at(-1)?.items as { label: string }[]).map(({ label }) => label);
  assert.deepEqual(labels, ["First state", "dark", "bright"]);
  assert.deepEqual(editor.updates.splice(0), [{ name: "thumbrule.hintState", value: "bright", target: 2 }]);
  const bright = await hints(lamp);
  assert.ok(bright.length > 0);
  editor.answers.push("dark");
  await editor.command("thumbrule.chooseHintState");
  const marked = (editor.picks.at(-1)?.items as { state: string; description?: string }[]).filter(
    ({ description }) => description?.includes("shown now"),
  );
  assert.deepEqual(marked.map(({ state }) => state), ["bright"]);
  assert.notDeepEqual(await hints(lamp), bright);
  assert.equal(starts(), 1); // settings are told, not started with anew
});

test("everything proven is mended at once, and comments stay", async () => {
  await editor.command("thumbrule.mendAll");
  await editor.until("no finding", () => !has(lamp, RULE));
  const before = LAMP.split("\n");
  const changed = lamp.getText().split("\n").filter((line, at) => line !== before[at]);
  assert.equal(changed.length, 1);
  assert.match(changed[0] ?? "", /^ {2}R1: .*# too large$/);
  await editor.command("thumbrule.mendAll");
  assert.match(editor.messages.at(-1)?.text ?? "", /^Nothing (to mend|was changed): /);
});

test("a restart reviews what is open again", async () => {
  await editor.change(lamp, [new TextEdit(new Range(new Position(0, 0), lamp.positionAt(lamp.getText().length)), LAMP)]);
  await editor.until("the finding", () => has(lamp, RULE));
  const restarted = editor.command("thumbrule.restart");
  await editor.until("the findings of the old server to go", () => editor.shown(lamp).length === 0);
  await restarted;
  await editor.until("the finding again", () => has(lamp, RULE));
  assert.equal(starts(), 2);
  assert.deepEqual(editor.messages.filter(({ kind }) => kind === "error"), []);
});
