import assert from "node:assert/strict";
import { test } from "node:test";
import { lessonPath, rulesAt, rulesOf, slugOf, type Shown } from "../src/findings";
import { ASKED, Gate, guarded } from "../src/gate";
import { stateChoices, stateNames } from "../src/states";

test("states are read from the answer, whatever it is", () => {
  assert.deepEqual(stateNames({ states: ["dark", "bright"] }), ["dark", "bright"]);
  for (const other of [undefined, null, 3, [], {}, { states: "dark" }]) assert.deepEqual(stateNames(other), []);
  assert.deepEqual(stateNames({ states: ["dark", 3, ""] }), ["dark"]);
});

test("the first state and each one by name can be chosen; the one in force says so", () => {
  assert.deepEqual(stateChoices(["dark", "bright"], "bright"), [
    { label: "First state", state: "", description: "whichever the circuit has first" },
    { label: "dark", state: "dark" },
    { label: "bright", state: "bright", description: "shown now" },
  ]);
  assert.match(stateChoices([], "")[0]?.description ?? "", /shown now/);
});

function shown(code: Shown["code"], range: [number, number, number, number], severity = 1): Shown {
  const [line, character, endLine, endCharacter] = range;
  const ends = { start: { line, character }, end: { line: endLine, character: endCharacter } };
  return { source: "thumbrule", code, severity, range: ends };
}

test("the finding under the cursor is the one with the smallest range, then the gravest", () => {
  const all = [
    shown("whole", [1, 0, 9, 0]),
    shown({ value: "linked" }, [3, 4, 3, 9], 2),
    shown("graver", [3, 4, 3, 9], 1),
    shown("twice", [3, 8, 3, 9]),
    shown("twice", [3, 8, 3, 10]),
    { ...shown("foreign", [3, 4, 3, 9]), source: "yaml" },
    shown("document", [3, 4, 3, 9]),
    shown(17, [3, 4, 3, 9]),
    shown(undefined, [3, 4, 3, 9]),
  ];
  assert.deepEqual(rulesAt(all, { line: 3, character: 4 }), ["graver", "linked", "whole"]);
  assert.deepEqual(rulesAt(all, { line: 3, character: 9 }), ["twice", "graver", "linked", "whole"]);
  assert.deepEqual(rulesAt(all, { line: 3, character: 10 }), ["twice", "whole"]);
  assert.deepEqual(rulesAt(all, { line: 0, character: 0 }), []);
  assert.deepEqual(rulesOf(all), ["graver", "linked", "twice", "whole"]);
});

test("a lesson's page has a path that leads back to its rule and to nothing else", () => {
  assert.equal(slugOf(lessonPath("min-beta-drive")), "min-beta-drive");
  for (const path of ["", "/", "/.md", "/Upper.md", "/a/b.md", "/../x.md", "/a.txt"]) assert.equal(slugOf(path), undefined);
});

interface Text {
  readonly uri: string;
  readonly version: number;
  readonly circuit: boolean;
}

test("a document that is a circuit once stays inside until it is closed", () => {
  const gate = new Gate<Text>(({ circuit }) => circuit);
  const text = (version: number, circuit: boolean): Text => ({ uri: "file:///lamp.yaml", version, circuit });
  assert.equal(gate.admit(text(1, false)), false);
  assert.equal(gate.follows(text(1, false)), false);
  assert.equal(gate.admit(text(2, true)), true);
  assert.equal(gate.follows(text(2, true)), false);
  assert.equal(gate.admit(text(3, false)), true);
  assert.equal(gate.follows(text(3, false)), true);
  assert.equal(gate.leave(text(3, false)), true);
  assert.equal(gate.leave(text(3, false)), false);
  assert.equal(gate.has(text(3, false)), false);
  gate.admit(text(4, true));
  gate.clear();
  assert.equal(gate.has(text(4, true)), false);
});

test("a question about a document outside never reaches the server", async () => {
  const gate = new Gate<Text>(({ circuit }) => circuit);
  const [inside, outside] = [true, false].map((circuit) => ({ uri: `file:///${circuit}`, version: 1, circuit }));
  assert.ok(inside && outside && gate.admit(inside) && !gate.admit(outside));
  const asked: unknown[][] = [];
  const next = (...all: unknown[]): string => `answer ${asked.push(all)}`;
  const wrappers = guarded(gate);
  assert.deepEqual(Object.keys(wrappers).sort(), [...ASKED].sort());
  for (const name of ASKED) {
    const wrapper = wrappers[name];
    assert.ok(wrapper);
    asked.length = 0;
    assert.equal(await wrapper(inside, "position", "token", next), "answer 1");
    assert.deepEqual(asked, [[inside, "position", "token"]]);
    if (name === "prepareRename") await assert.rejects(async () => wrapper(outside, "position", next), /no circuit/);
    else assert.equal(wrapper(outside, "position", next), undefined);
    assert.equal(asked.length, 1);
  }
});
