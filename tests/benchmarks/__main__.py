"""Measure and print: python3 .ci/dev measure [SECTION ...]; SECTIONS at the end names them."""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Iterable

import numpy as np

from schemas.circuit import Circuit
from tests.benchmarks.circuits import EXAMPLES, chain, latch, latches
from tests.builders import solve

Row = tuple[str, ...]


def median_ms(work: Callable[[], object], least: int = 5, seconds: float = 1.0) -> float:
    """Median wall time in ms after one warm-up, over at least ``least`` runs or ``seconds``."""
    work()
    times: list[float] = []
    end = time.perf_counter() + seconds
    while len(times) < least or time.perf_counter() < end:
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return statistics.median(times) * 1e3


def show(title: str, head: Row, rows: Iterable[Row]) -> None:
    table = [head, *rows]
    widths = [max(len(row[k]) for row in table) for k in range(len(head))]
    print(f"\n{title}")
    for n, row in enumerate(table):
        print(
            "  "
            + "  ".join(
                cell.ljust(w) if k == 0 else cell.rjust(w)
                for k, (cell, w) in enumerate(zip(row, widths, strict=True))
            ).rstrip()
        )
        if n == 0:
            print("  " + "  ".join("-" * w for w in widths))
    sys.stdout.flush()


def ms(value: float) -> str:
    return f"{value:.2f} ms" if value < 10 else f"{value:.1f} ms" if value < 1000 else f"{value / 1e3:.2f} s"


def states() -> None:
    """All states by number of junctions, against a root finder and an SMT solver on the same circuit."""
    cases = [("latch", latch())] + [(f"chain of {n}", chain(n)) for n in (1, 2, 3, 4, 5, 6, 8, 10, 15, 20)]
    cases += [(f"{n} latches", latches(n)) for n in (2, 3, 4)]
    rows: list[Row] = []
    for name, circuit in cases:
        found = solve(circuit)
        own = median_ms(lambda circuit=circuit: solve(circuit), 3, 0.5)
        junctions = len(found.network.junctions)
        one, distinct = root_finder(circuit) if junctions <= 16 else (float("nan"), -1)
        smt = smt_solver(circuit) if junctions <= 8 else float("nan")
        rows.append(
            (
                name,
                str(junctions),
                str(len(found.states)),
                "yes" if found.complete else "no",
                ms(own),
                "-" if distinct < 0 else ms(one),
                "-" if distinct < 0 else f"{one / own:.1f}x",
                "-" if distinct < 0 else str(distinct),
                "-" if np.isnan(smt) else ms(smt),
                "-" if np.isnan(smt) else f"{smt / own:.0f}x",
            )
        )
    show(
        "All DC states (one configuration, one corner); scipy.optimize.root: 20 seeded starts, what they "
        "cost and how many states they find;\nz3: all states by blocking each one found",
        ("circuit", "junctions", "states", "complete", "own", "root x20", "ratio", "found", "z3", "ratio"),
        rows,
    )


def root_finder(circuit: Circuit) -> tuple[float, int]:
    """Time in ms of 20 starts of a general root finder, and how many different solutions it found.

    Its own word for success is not believed: the residual is checked.
    """
    from scipy.optimize import root

    from tests.benchmarks.smooth import equations

    nets, residual = equations(circuit)
    highest = max(part.number("voltage") or 0.0 for part in circuit.parts.values())
    starts = np.random.default_rng(20).uniform(0.0, highest, (20, len(nets)))
    found: list[np.ndarray] = []
    begin = time.perf_counter()
    with np.errstate(all="ignore"):
        for start in starts:
            answer = root(residual, start)
            if np.abs(residual(answer.x)).max() < 1e-6 and all(
                np.abs(answer.x - x).max() > 1e-3 for x in found
            ):
                found.append(answer.x)
    return (time.perf_counter() - begin) * 1e3, len(found)


def smt_solver(circuit: Circuit) -> float:
    """Time in ms of an SMT solver for all states of the same circuit."""
    from tests.analysis.smt_oracle import all_states

    begin = time.perf_counter()
    all_states(circuit)
    return (time.perf_counter() - begin) * 1e3


def timelines() -> None:
    """Event-exact timelines against three stiff integrations over the same span."""
    from tests.benchmarks.timelines import cases, works

    rows: list[Row] = []
    for name, case in cases():
        took: dict[str, float] = {}
        for what, work in works(case).items():
            try:
                took[what] = median_ms(work, 3, 0.5)
            except ArithmeticError:
                took[what] = float("nan")
        fresh, known = took["timeline"], took["once more"]
        cells = [
            cell
            for what in ("stiff", "Radau", "junction")
            for cell in (ms(took[what]), f"{took[what] / fresh:.1f}x", f"{took[what] / known:.1f}x")
        ]
        rows.append((name, ms(fresh), ms(known), *cells))
    show(
        "Timelines from a fresh study with its DC states, and once more with all modes known; stiff"
        " integration over the same span:\nhand model, method of the tests; hand model, scipy Radau; junction"
        " model; ratios to the fresh timeline and to the known one (nan: gave up)",
        (
            "circuit",
            "fresh",
            "known",
            *(cell for what in ("stiff", "Radau", "junction") for cell in (what, "/fresh", "/known")),
        ),
        rows,
    )


def monte_carlo() -> None:
    """All states of 10,000 samples against one batched solution per stable state and a root finder."""
    from tests.benchmarks.monte_carlo import ROOTS, SAMPLES, roots, sampled, works

    timed, found = works(), sampled(SAMPLES)
    own, lapack, root = (median_ms(timed[name], 3, 2.0) for name in ("own", "lapack", "root"))
    states, each = int(found.counts.sum()), root / ROOTS
    row = (
        str(states),
        str(int(found.stable_counts.sum())),
        ms(own),
        ms(lapack),
        f"{own / lapack:.1f}x",
        ms(each),
        f"{each * SAMPLES / own:.0f}x",
        f"{each * states / own:.0f}x",
    )
    show(
        f"All states of {SAMPLES} samples, 8 junctions (lapack: numpy.linalg.solve of the whole circuit once "
        f"for each stable state;\nroot: one start of scipy.optimize.root, {ROOTS} samples timed, "
        f"{roots(ROOTS)} of them solved)",
        ("states", "stable", "own", "lapack", "ratio", "root", "one per sample", "one per state"),
        [row],
    )


def reviews() -> None:
    """Reviews of the examples, warm: DC rules, everything, with proven remedies."""
    from service import engine, facade
    from service.ruleset import installed

    ruleset = installed()
    rows: list[Row] = []
    for path in sorted(EXAMPLES.glob("*.*")):
        document = facade.read(path.read_bytes(), name=path.name)
        parts = document.circuit.parts.values()
        size = f"{len(parts)}/{sum(part.kind in ('npn', 'pnp') for part in parts)}"
        dc = median_ms(lambda d=document: dc_states(d.circuit))
        plain = median_ms(lambda d=document: engine.run(d.circuit, ruleset))
        full = median_ms(lambda d=document: facade.review(d), 3)
        read = median_ms(lambda p=path: facade.read(p.read_bytes(), name=p.name))
        rows.append((path.name, size, ms(read), ms(dc), ms(plain), ms(full)))
    show(
        "Reviews, warm (parts/transistors; DC states and roles at three beta corners; all rules without and "
        "with proven remedies)",
        ("circuit", "size", "read", "DC states", "review", "with remedies"),
        rows,
    )


def dc_states(circuit: Circuit) -> None:
    from rules.analysis.study import Study

    study = Study(circuit)
    for corner in study.corners:
        for found in study.state_sets(corner):
            for state in found.stable:
                state.nets, state.currents  # noqa: B018 - worked out when asked


def commands() -> None:
    """Whole commands from a cold start (fresh process, files in the page cache)."""
    example = str(EXAMPLES / "frost-bell.yaml")
    cases = {
        "bare python": ["-c", "pass"],
        "thumbrule --help": ["-m", "clients", "--help"],
        "thumbrule lesson": ["-m", "clients", "lesson", "divider-stiffness"],
        "thumbrule states": ["-m", "clients", "states", example],
        "thumbrule review --no-remedies": ["-m", "clients", "review", "--no-remedies", example],
        "thumbrule review": ["-m", "clients", "review", example],
    }
    rows: list[Row] = []
    for name, arguments in cases.items():
        command = [sys.executable, *arguments]
        rows.append((name, ms(median_ms(lambda c=command: subprocess.run(c, capture_output=True), 5, 2.0))))
    show("Cold commands", ("command", "median"), rows)


def memory() -> None:
    """Resident memory of a process that has served reviews."""
    program = (
        "import re, sys\n"
        "from pathlib import Path\n"
        "from service import facade\n"
        "from service.http.app import create_app\n"
        "client = create_app().test_client()\n"
        "for path in sorted(Path(sys.argv[1]).glob('*.yaml')):\n"
        "    client.post('/v1/reviews', data=path.read_bytes(), content_type='application/yaml')\n"
        # what getrusage tells is carried over from the process that started this one
        "print(int(re.search(r'VmHWM:\\s+(\\d+) kB', Path('/proc/self/status').read_text())[1]) / 1024)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, str(EXAMPLES)], capture_output=True, text=True, check=True
    )
    show(
        "Memory",
        ("process", "peak resident"),
        [("service worker after all examples", f"{float(done.stdout):.0f} MB")],
    )


def editor() -> None:
    """From a key to the diagnostics of that version, over the pipes of a language server."""
    from service import facade
    from tests.benchmarks.editor import CALM, KEYS, SLOW, measured, nine_in_ten

    rows: list[Row] = []
    for name in ("aquarium-ear.yaml", "barrel-latch.yaml", "frost-bell.yaml"):
        path = EXAMPLES / name
        parts = facade.read(path.read_bytes(), name=name).circuit.parts.values()
        size = f"{len(parts)}/{sum(part.kind in ('npn', 'pnp') for part in parts)}"
        calm, slow = measured(path, CALM), measured(path, SLOW)
        rows.append(
            (
                name,
                size,
                ms(statistics.median(calm.first)),
                ms(nine_in_ten(calm.first)),
                ms(statistics.median(slow.first)),
                ms(nine_in_ten(slow.first)),
                ms(statistics.median(slow.last)),
            )
        )
    show(
        f"From a key to its diagnostics in the editor, {KEYS} keys (parts/transistors; first: the first ones"
        f" of the version, where a slow\ncircuit has those of some rules from the version before; the next"
        f" key {CALM:g} s after an answer, and {SLOW:g} s after it, when remedies\nare being searched for;"
        f" last: the last change before that key)",
        ("circuit", "size", "first", "90 %", "first, slow", "90 %", "last"),
        rows,
    )


SECTIONS = {
    "states": states,
    "timelines": timelines,
    "monte-carlo": monte_carlo,
    "reviews": reviews,
    "commands": commands,
    "memory": memory,
    "editor": editor,
}


def main(names: list[str]) -> None:
    unknown = [name for name in names if name not in SECTIONS]
    if unknown:
        sys.exit(f"no section {', '.join(unknown)}; there are {', '.join(SECTIONS)}")
    for name in names or SECTIONS:
        SECTIONS[name]()


if __name__ == "__main__":
    main(sys.argv[1:])
