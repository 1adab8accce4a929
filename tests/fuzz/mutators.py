"""Ways to damage a document, each the work of one seed."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from random import Random

from tests.fuzz.seeds import Seed

Mutator = Callable[[Random, bytes, Sequence[Seed]], bytes]

PIECES = (
    "\u00b5", "\u03a9", "\U0001f600", "\u2028", "\u2029", "\x85", "\x00", "\x07", "\x7f", "\x80",
    "\ufeff", "\ufffe", "\u202e", "\u0301", "\ue000", "\r", "\n", "\r\n", "\t", " ", "  ", "\n\t", '"',
    "'", "\\", "\\u", "\\ud800", "\\ue000", "{", "}", "[", "]", ",", ":", ": ", "- ", "? ", "#", " #",
    "&a ", "*a", "*b", "!t ", "!!str ", "<<: *a\n", "---\n", "...\n", "%YAML 1.2\n", "|\n", ">-\n",
    "|+\n", "@", "`", "null", "~", "true", ".nan", ".inf", "NaN", "//", "/*", "{}", "[]", '""', "\n\n\n",
)  # fmt: skip
NUMBERS = (
    "1e999", "-1e999", "1e-999", "9" * 50, "9" * 5000, "0." + "0" * 300 + "1", "1_000", "0x1F", "0o17",
    "12:30:45", "1e308", "-0", "1.", ".5", "+1", "00", "1e", "4k7", "1e400 ohm", "1/0", "1,5", "\uff19",
    "1e5k",
)  # fmt: skip
NESTED = ("[", "{", "[{", "- ", "? ", '{"a":', "{a: ", "&a [*a, ", "[[],", "a:\n ", "!t [", "(")
_TOKEN = re.compile(rb"[A-Za-z0-9_.%+-]+|[^\sA-Za-z0-9]|\s+")
_NUMBER = re.compile(rb"[-+]?[0-9][0-9.eE+-]*")


def mutated(number: int, seeds: Sequence[Seed]) -> tuple[str, bytes]:
    """The damaged document with this number, and a name whose ending tells its spelling."""
    rng = Random(number)
    seed = rng.choice(seeds)
    data = seed.text.encode()
    for _ in range(rng.choice((1, 1, 1, 2, 2, 3, 5))):
        data = rng.choice(MUTATORS)(rng, data, seeds)
    return seed.name if rng.random() < 0.97 else "", data


def span(rng: Random, data: bytes, most: int = 40) -> tuple[int, int]:
    start = rng.randrange(len(data) + 1)
    return start, min(len(data), start + rng.randrange(1, most))


def flip(rng: Random, data: bytes, seeds: Sequence[Seed]) -> bytes:
    out = bytearray(data)
    for _ in range(rng.randrange(1, 4)):
        if out:
            out[rng.randrange(len(out))] ^= 1 << rng.randrange(8)
    return bytes(out)


def cut(rng: Random, data: bytes, seeds: Sequence[Seed]) -> bytes:
    start, end = span(rng, data, rng.choice((2, 8, 200)))
    return data[:start] + data[end:]


def double(rng: Random, data: bytes, seeds: Sequence[Seed]) -> bytes:
    start, end = span(rng, data, rng.choice((8, 200)))
    at = rng.choice((end, rng.randrange(len(data) + 1)))
    return data[:at] + data[start:end] * rng.choice((1, 1, 2, 50)) + data[at:]


def insert(rng: Random, data: bytes, seeds: Sequence[Seed]) -> bytes:
    at = rng.randrange(len(data) + 1)
    return data[:at] + rng.choice(PIECES).encode() + data[at:]


def noise(rng: Random, data: bytes, seeds: Sequence[Seed]) -> bytes:
    at = rng.randrange(len(data) + 1)
    return data[:at] + rng.randbytes(rng.randrange(1, 5)) + data[at:]


def splice(rng: Random, data: bytes, seeds: Sequence[Seed]) -> bytes:
    other = rng.choice(seeds).text.encode()
    return data[: rng.randrange(len(data) + 1)] + other[rng.randrange(len(other) + 1) :]


def swap(rng: Random, data: bytes, seeds: Sequence[Seed]) -> bytes:
    tokens = _TOKEN.findall(data)
    if len(tokens) < 2:
        return data
    one, two = rng.randrange(len(tokens)), rng.randrange(len(tokens))
    tokens[one], tokens[two] = tokens[two], tokens[one]
    return b"".join(tokens)


def borrow(rng: Random, data: bytes, seeds: Sequence[Seed]) -> bytes:
    tokens, other = _TOKEN.findall(data), _TOKEN.findall(rng.choice(seeds).text.encode())
    if tokens and other:
        tokens[rng.randrange(len(tokens))] = rng.choice(other)
    return b"".join(tokens)


def renumber(rng: Random, data: bytes, seeds: Sequence[Seed]) -> bytes:
    found = list(_NUMBER.finditer(data))
    if not found:
        return data
    one = rng.choice(found)
    return data[: one.start()] + rng.choice(NUMBERS).encode() + data[one.end() :]


def nest(rng: Random, data: bytes, seeds: Sequence[Seed]) -> bytes:
    at = rng.randrange(len(data) + 1)
    return data[:at] + (rng.choice(NESTED) * rng.choice((1, 5, 25, 2000))).encode() + data[at:]


def truncate(rng: Random, data: bytes, seeds: Sequence[Seed]) -> bytes:
    at = rng.randrange(len(data) + 1)
    return data[:at] if rng.random() < 0.8 else data[at:]


def lines(rng: Random, data: bytes, seeds: Sequence[Seed]) -> bytes:
    rows = data.split(b"\n")
    one, two = rng.randrange(len(rows)), rng.randrange(len(rows))
    way = rng.randrange(5)
    if way == 0:
        rows.pop(one)
    elif way == 1:
        rows[one], rows[two] = rows[two], rows[one]
    elif way == 2:
        rows.insert(two, rows[one])
    elif way == 3:
        rows[one] = rng.choice((b" ", b"   ", b"\t", b"- ")) + rows[one]
    else:
        rows[one] = rows[one][rng.randrange(1, 3) :]
    return b"\n".join(rows)


def line_ends(rng: Random, data: bytes, seeds: Sequence[Seed]) -> bytes:
    end = rng.choice((b"\r\n", b"\r", b"\xe2\x80\xa8", b"\xc2\x85", b"\n\n", b" \n", b"\t\n"))
    return data.replace(b"\n", end, rng.choice((-1, 1, 3)))


def share(rng: Random, data: bytes, seeds: Sequence[Seed]) -> bytes:
    """An anchor at one place and an alias in another."""
    tokens = _TOKEN.findall(data)
    if len(tokens) < 4:
        return data
    one = rng.randrange(len(tokens) - 1)
    two = rng.randrange(one, len(tokens))
    tokens[one] = b"&a " + tokens[one]
    tokens[two] = rng.choice((b"*a", b"*a ", tokens[two] + b" *a"))
    return b"".join(tokens)


def recode(rng: Random, data: bytes, seeds: Sequence[Seed]) -> bytes:
    try:
        text = data.decode()
    except UnicodeDecodeError:
        return data
    names = ("utf-8-sig", "utf-8-sig", "utf-16", "utf-32", "utf-7", "latin-1")
    return text.encode(rng.choice(names), "replace")


MUTATORS: tuple[Mutator, ...] = (
    flip, cut, cut, double, insert, insert, insert, noise, splice, swap, borrow, renumber, nest, truncate,
    lines, lines, line_ends, share, recode,
)  # fmt: skip
