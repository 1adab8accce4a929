import assert from "node:assert/strict";
import { readdirSync, readFileSync } from "node:fs";
import { join } from "node:path";
import { test } from "node:test";
import { declaresFormat, isCircuit, pathPatterns } from "../src/selector";
import { EXAMPLES } from "./places";

const YAML = ["format: thumbrule/1\n", "# lamp\n\n---\nformat: 'thumbrule/1'\n", '"format":  "thumbrule/1"\n'];
const BRACED = [
  '{"format": "thumbrule/1"}',
  '{\n  "name": "x", "parts": {"R1": {"kind": "}"}},\n  "format" : "thumbrule/1"\n}',
  "# lamp\n{format: 1, 'format': 'thumbrule/1'}",
  '{ // lamp\n "format": "thumbrule/1", "parts": {',
];
const OTHERS = [
  "",
  "format: other/1\n",
  "# format: thumbrule/1\n",
  "circuit:\n  format: thumbrule/1\n",
  "formats: thumbrule/1\n",
  "format:thumbrule/1\n",
  '{"circuit": {"format": "thumbrule/1"}}',
  '{"note": "\\"format\\": \\"thumbrule/1\\""}',
  '{"a": "{", "list": [{"format": "thumbrule/1"}]}',
  '{"value": "format", "thumbrule/1": 1}',
];

test("a text that declares the format in its outermost mapping is a circuit", () => {
  for (const text of [...YAML, ...BRACED]) assert.equal(declaresFormat(text), true, text);
});

test("the byte order mark and each kind of line end change nothing", () => {
  for (const text of [...YAML, ...BRACED]) {
    for (const end of ["\r\n", "\r"]) {
      assert.equal(declaresFormat(`\uFEFF${text.replaceAll("\n", end)}`), true, JSON.stringify(text + end));
    }
  }
});

test("a comment, a nested mapping, a quoted text or another format is none", () => {
  for (const text of OTHERS) assert.equal(declaresFormat(text), false, text);
});

test("every example of the project is a circuit", () => {
  const names = readdirSync(EXAMPLES);
  assert.ok(names.length >= 5);
  for (const name of names) assert.equal(declaresFormat(readFileSync(join(EXAMPLES, name), "utf-8")), true, name);
});

test("only the head of a large file is read", () => {
  assert.equal(declaresFormat(`${"# filler\n".repeat(100_000)}format: thumbrule/1\n`), false);
});

test("a glob counts anywhere below the root", () => {
  const globs = ["*.circuit.yaml", "./lamps/*.yaml", "**/a.json", "/srv/*.yaml", "C:/x/*.yaml", " ", "**/a.json"];
  assert.deepEqual(pathPatterns(globs), [
    "**/*.circuit.yaml",
    "**/lamps/*.yaml",
    "**/a.json",
    "/srv/*.yaml",
    "C:/x/*.yaml",
  ]);
});

test("the name or the text decides, in a language that can hold a circuit and at a place the server can read", () => {
  const text = (): string => "format: thumbrule/1\n";
  const nothing = (): string => "";
  assert.equal(isCircuit({ scheme: "file", languageId: "yaml", named: false, text }), true);
  assert.equal(isCircuit({ scheme: "untitled", languageId: "jsonc", named: false, text }), true);
  assert.equal(isCircuit({ scheme: "file", languageId: "markdown", named: false, text }), false);
  assert.equal(isCircuit({ scheme: "file", languageId: "plaintext", named: true, text: nothing }), true);
  assert.equal(isCircuit({ scheme: "file", languageId: "yaml", named: false, text: nothing }), false);
  assert.equal(isCircuit({ scheme: "git", languageId: "yaml", named: true, text }), false);
});
