/** The built extension where the server cannot be started, and where it can after the setting was mended. */

import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { join } from "node:path";
import { test } from "node:test";
import { EXAMPLES, EXTENSION, ROOT, serverCommand } from "./places";
import { Editor } from "./stub";
import { Position, Range, TextEdit } from "./stub_values";

interface Extension {
  activate(context: { subscriptions: { dispose(): unknown }[] }): Promise<void>;
  deactivate(): Promise<void>;
}

test("a missing program is told once, with the setting that helps; a mended setting starts the server", async (context) => {
  const editor = new Editor(ROOT);
  editor.install();
  editor.settings.set("thumbrule.command", ["/nowhere/thumbrule", "language-server"]);
  editor.settings.set("thumbrule.debounce", "soon");
  editor.answers.push(undefined, "Open the setting");
  const extension = require(join(EXTENSION, "dist", "extension.js")) as Extension;
  context.after(() => extension.deactivate());
  const text = readFileSync(join(EXAMPLES, "workshop-lamp.yaml"), "utf-8");
  const subscriptions: { dispose(): unknown }[] = [];
  await extension.activate({ subscriptions });
  const lamp = await editor.open("/srv/lamp.yaml", "yaml", text);

  const [warning, error, ...rest] = editor.messages;
  assert.deepEqual(rest, []);
  assert.match(warning?.text ?? "", /^thumbrule\.debounce is "soon"; needed is a whole number/);
  assert.match(error?.text ?? "", /^There is no program \/nowhere\/thumbrule, so circuits are not reviewed/);
  assert.deepEqual(error?.answers, ["Open the setting"]);
  // One key more does not complain again.
  const at = new Position(0, 0);
  await editor.change(lamp, [new TextEdit(new Range(at, at), "# A lamp\n")]);
  assert.equal(editor.messages.length, 2);
  await editor.command("thumbrule.mendAll");
  assert.equal(editor.messages.pop()?.text, "The server does not run; the output says why.");

  await editor.set("thumbrule.debounce", 15);
  await editor.set("thumbrule.command", serverCommand());
  await editor.until("findings", () => editor.shown(lamp).length > 0);
  assert.equal(editor.messages.length, 2);
  for (const one of subscriptions) one.dispose();
});
