"""Run all of it on both cores and print a table: python3 .ci/dev fuzz [--count N] [--from N] [SECTION ...]

SECTIONS: mutants (damaged documents through intake and editor), layouts (the
place of everything in good ones), hostile (texts of 1 MiB made to be slow),
prefixes (every prefix of every file, in process), typing (the same over a
pipe).  A document is named by its number: ``--from 1234 --count 1 mutants``
repeats one.
"""

from __future__ import annotations

import argparse
import asyncio
import signal
import sys
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from multiprocessing import Pool
from types import FrameType
from typing import Any, TypeAlias

from tests.fuzz import hostile, pipe, probes
from tests.fuzz.mutators import mutated
from tests.fuzz.seeds import files, seeds
from tests.schemas.layouts import JsonWriter
from tests.schemas.test_layouts import check, written
from tests.schemas.yaml_layouts import YamlWriter

WORKERS = 2
BUDGET = 40  # s of wall time for one document, on a busy machine; more counts as broken
SHOWN = 10

Outcome: TypeAlias = tuple[str, float, str]
"""What became of a document, how long it took, and how it is named; ``broken`` has the reason there."""


@dataclass
class Tally:
    """A section of the table."""

    name: str
    ends: Counter[str] = field(default_factory=Counter)
    times: list[tuple[float, str]] = field(default_factory=list)
    broken: list[str] = field(default_factory=list)
    total: float = 0.0

    def add(self, outcomes: Iterable[Outcome]) -> None:
        for end, took, name in outcomes:
            self.ends[end] += 1
            self.total += took
            if end == "broken":
                self.broken.append(name)
            self.times = sorted([*self.times, (took, name)], reverse=True)[:3]

    def show(self, wall: float) -> None:
        told = ", ".join(f"{count} {end}" for end, count in sorted(self.ends.items()))
        print(f"\n{self.name}: {self.ends.total()} in {wall:.0f} s ({told})")
        for took, name in self.times:
            print(f"  {took * 1e3:8.1f} ms  {name.splitlines()[0][:90]}")
        for reason in self.broken[:SHOWN]:
            print(f"  BROKEN {reason}")
        sys.stdout.flush()


def timed(name: str, work: Callable[[], str]) -> Outcome:
    """Run one document within its budget."""

    def over(number: int, frame: FrameType | None) -> None:
        raise TimeoutError(f"more than {BUDGET} s")

    signal.signal(signal.SIGALRM, over)
    signal.alarm(BUDGET)
    began = time.perf_counter()
    try:
        end = work()
    except Exception:
        end, name = "broken", f"{name}\n{traceback.format_exc(limit=-4)}"
    finally:
        signal.alarm(0)
    return end, time.perf_counter() - began, name


def one_mutant(number: int) -> Outcome:
    def work() -> str:
        name, data = mutated(number, seeds())
        end = probes.intake(data, name)
        try:
            text = data.decode()
        except UnicodeDecodeError:
            text = data.decode("latin-1")
        probes.editor(text, name, number)
        return end

    return timed(f"mutant {number}", work)


def one_layout(number: int) -> Outcome:
    def work() -> str:
        writer, spelling = ((JsonWriter, "json"), (YamlWriter, "yaml"))[number % 4 > 0]
        told, data = written(writer, number)
        check(told, data, spelling)
        return spelling

    return timed(f"layout {number}", work)


HOSTILE = tuple(hostile.texts())


def one_hostile(number: int) -> Outcome:
    name, make = HOSTILE[number // 3]
    text, spelling = make(), ("json", "yaml", "editor")[number % 3]

    def work() -> str:
        if spelling == "editor":
            return probes.editor(text, "x.yaml", number)
        return probes.intake(text.encode(), f"x.{spelling}")

    return timed(f"{name}, {spelling}", work)


def one_file_of_prefixes(number: int) -> list[Outcome]:
    seed = files()[number]
    found = []
    for end in range(len(seed.text) + 1):
        text = seed.text[:end]

        def work(text: str = text, end: int = end) -> str:
            return probes.editor(text, seed.name, end, (end,))

        found.append(timed(f"{seed.name}, {end} characters", work))
    return found


def typing(start: int, step: int = WORKERS) -> list[Outcome]:
    began = time.perf_counter()
    try:
        typed = asyncio.run(pipe.type_all(files()[start::step]))
    except Exception:
        return [("broken", 0.0, traceback.format_exc(limit=-6))]
    took = time.perf_counter() - began
    name = f"{typed.files} files, {typed.versions} versions, {typed.answered} requests answered"
    return [("server", took, name)]


def each(work: Callable[[int], Any], numbers: range, chunk: int) -> Iterator[Any]:
    with Pool(WORKERS) as pool:
        yield from pool.imap(work, numbers, chunk)


def main(arguments: list[str]) -> int:
    parser = argparse.ArgumentParser(prog=".ci/dev fuzz", description="Bad documents by the thousand.")
    parser.add_argument("--count", type=int, default=100_000, help="damaged documents (100000)")
    parser.add_argument("--from", type=int, default=0, dest="first", help="the first number (0)")
    parser.add_argument("section", nargs="*", choices=[[], *SECTIONS], help="all of them when none is named")
    chosen = parser.parse_args(arguments)
    failed = False
    for name in chosen.section or SECTIONS:
        began, tally = time.perf_counter(), Tally(name)
        for outcomes in SECTIONS[name](chosen.first, chosen.count):
            tally.add(outcomes if isinstance(outcomes, list) else [outcomes])
        tally.show(time.perf_counter() - began)
        failed = failed or bool(tally.broken)
    return 1 if failed else 0


SECTIONS: dict[str, Callable[[int, int], Iterator[Any]]] = {
    "mutants": lambda first, count: each(one_mutant, range(first, first + count), 50),
    "layouts": lambda first, count: each(one_layout, range(first, first + count // 5), 50),
    "hostile": lambda first, count: each(one_hostile, range(3 * len(HOSTILE)), 1),
    "prefixes": lambda first, count: each(one_file_of_prefixes, range(len(files())), 1),
    "typing": lambda first, count: each(typing, range(WORKERS), 1),
}

if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
