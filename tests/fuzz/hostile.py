"""Texts of the greatest length that are made to be slow, or to take much memory.

A unit said over and over, in several surroundings; and constructions of their
own that were slow once, or would be with a careless reader.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from schemas.intake import MAX_BYTES

UNITS = (
    "[", "{", "[\n", "{\n", "- ", "? ", "a: ", "{a: ", "[[],", "- - ", "? - ", "!a ", "&a ", "'", '"',
    "''", "# \n", "#", "\n", "\r", "\r\n", " ", "\t", "a\n", "a: b\n", "- a\n", "|\n", "| ", "- |\n a\n",
    "a: |\n b\n\n", "*a ", "%a\n", "---\n", "...\n", "a,", "{},", "[],", "a: {", "\\", '"\\', '\\"',
    "\u2028", "\ue000\x85", "e000\x85", "\u00e9", "\U0001f600", "k: |1\n", "? a\n", "? a\n: b\n", ": ",
    "- : ", ", ", "[a: b, ", "a\n b\n", "a #\n", "//", "/*", "1", "1.", "1e", "-", "_", "~", "x:y\n",
    "{x:y,", "a:b ", '"a" ', "'a' ", '"a":', "'a\n", '"a\n', "@", "`", "\x00", "\ufeff", ">- \n",
    "- &a\n", "- !t\n", "- *a\n", "\\u0061", "<<: *a\n", "true\n", "a: 'b\n", "a: &a [*a, ", '{"a":',
    '"a":1,', "(", "a: 1\n", "{a: 1},",
)  # fmt: skip
SURROUNDINGS = (("alone", "", ""), ("in a list", "a: [", ""), ("in quotes", 'a: "', '"'),
                ("in JSON text", '{"a": "', '"}'), ("in a JSON list", '{"a": [', ""))  # fmt: skip
HEAD = "format: thumbrule/1\nname: n\nground: g\nparts:\n"
LONG = "1" * (MAX_BYTES - 200_000)
REPEATED = "\nb: [" + "*a, " * 19_000 + "]\n"
NEAR = tuple("n" * 50 + f"{number:013d}" for number in range(500))
"""Names that are all near to each other."""
RESISTOR = "{kind: resistor, resistance: 1k, pins: {a: g, b: h}}"


def filled(unit: str, before: str, after: str) -> str:
    room = MAX_BYTES - len(before.encode()) - len(after.encode())
    return before + unit * (room // len(unit.encode())) + after


def constructions() -> dict[str, Callable[[], str]]:
    """Made when asked for: together they would take a gigabyte."""
    nine = [f"a{i}: &a{i} [{', '.join([f'*a{i - 1}'] * 9)}]" for i in range(1, 12)]
    wide = ",".join(f"k{i}: x" for i in range(1000))
    deep = "".join("{" + chr(97 + i) * 199 + ": " for i in range(18)) + "1" + "}" * 18
    fives = (", ".join(f"m{name[1:]}: off" for name in NEAR[i : i + 5]) for i in range(0, 500, 5))
    states = [f"  s{i}: {{{five}}}\n" for i, five in enumerate(fives)]
    lists = [f"  - {{rule: x, parts: [{','.join(f'{n[:60]}{i}' for n in NEAR[:36])}], reason: r, owner: o, "
             "expires: 2027-01-01}\n" for i in range(400)]  # fmt: skip
    return {
        "a long number, repeated": lambda: f"a: &a {LONG}{REPEATED}",
        "a long text, repeated": lambda: f"a: &a x{LONG}{REPEATED}",
        "a folded text, repeated": lambda: f'a: &a "{"1 " * (len(LONG) // 2)}"{REPEATED}',
        "a block, repeated": lambda: f"a: &a |\n  {LONG}{REPEATED}",
        "private characters, repeated": lambda: (
            f'x: \u2028\na: &a "{chr(0xE123) * (len(LONG) // 3)}"{REPEATED}'),
        "a long text in every part": lambda: (
            f"{HEAD}  R1: &r {{kind: resistor, resistance: &a '{LONG}', pins: {{a: *a, b: *a}}}}\n"
            + "".join(f"  R{i}: *r\n" for i in range(2, 2000))),
        "aliases of aliases": lambda: "\n".join(["a0: &a0 [x,x,x,x,x,x,x,x,x]", *nine]),
        "many names, repeated": lambda: f"a: &a {{{wide}}}\nb: [{'*a, ' * 200}]\n",
        "deep and long names, repeated": lambda: f"x: &a {deep}\nb: [{'*a, ' * 1000}]\n",
        "one name again and again": lambda: "a: 1\n" * 200_000,
        "one object again and again": lambda: "a: {b: 1}\n" * 90_000,
        "many unknown members": lambda: HEAD + "".join(
            f"  R{i}: {{kynd: resistor, resistanze: 1k, pinz: {{a: g, b: h}}}}\n" for i in range(500)),
        "near part names": lambda: (HEAD + "".join(f"  {name}: {RESISTOR}\n" for name in NEAR)
                                    + "states:\n" + "".join(states)),
        "near net names": lambda: (
            HEAD + "".join(f"  R{i}: {RESISTOR.replace('b: h', f'b: {n}')}\n" for i, n in enumerate(NEAR))
            + "nets:\n" + "".join(f"  m{name[1:]}: {{terminal: true}}\n" for name in NEAR)),
        "near types": lambda: HEAD + "".join(
            f"  Q{i}: {{kind: npn, type: BC54{'x' * 50}{i}, pins: {{collector: g, base: h, emitter: i}}}}\n"
            for i in range(500)),
        "long lists of names": lambda: f"{HEAD}  R1: {RESISTOR}\nwaivers:\n{''.join(lists)}",
        "a long title": lambda: HEAD.replace("name: n", "name: n\ntitle: " + "word " * 200_000),
        "many lines, then a mistake": lambda: "# x\n" * 250_000 + "a: b: c",
        "many lines of JSON, then a mistake": lambda: "{" + "\n" * 1_000_000 + "x",
        "a wide list": lambda: "[" + "1," * 500_000 + "1]",
        "a wide object": lambda: "{" + ",".join(f'"k{i}": {i}' for i in range(70_000)) + "}",
        "half characters": lambda: '{"a": "' + "\\ud800" * 170_000 + '"}',
        "an open brace and quotes": lambda: "a: {b: " + "' " * 500_000,
        "an open brace and words in quotes": lambda: "a: {b c: d, " + "'x " * 300_000,
        "an open brace and lines": lambda: "a: {b: c\n" + "d: e\n" * 200_000,
        "an open brace and open quotes": lambda: "a: {b: c\n" + "  'x', \"y\n" * 100_000,
        "open brackets and quotes": lambda: "a: {b c\n" + ' ["\n' * 200_000,
    }  # fmt: skip


def texts() -> Iterator[tuple[str, Callable[[], str]]]:
    """Every hostile text with a name of its own."""
    for unit in UNITS:
        for name, before, after in SURROUNDINGS:
            yield f"{unit!r} {name}", lambda u=unit, b=before, a=after: filled(u, b, a)  # type: ignore[misc]
    yield from constructions().items()
