"""The smallest set of changes that clears whatever can be cleared.

Every finding brings the remedies that were proven for it alone, and each of
them says which findings it takes away.  Sets of remedies that together take
away all of them are tried, those with the fewest changed places first, each
proven as a whole by a re-run; what a proven set does not need is taken out
again, place by place.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from schemas.finding import Change, Finding, Remedy
from service.comparing import losses
from service.engine import Run
from service.patches import CannotPatch, apply, compose, patch_for, size
from service.remedies import Bench

SETS_TRIED = 6
BRANCHES = 20_000  # of the search for sets; a count, so that the answer is the same on a slow machine
PLACES_TRIED = 12  # that are put back one by one at the end


@dataclass(frozen=True, slots=True)
class Option:
    """One proven remedy of one finding, the findings that it takes away, and how much it changes.

    ``cost``: places changed, then the sum of |ln(new/old)| of the values, then the summary.
    """

    finding: Finding
    remedy: Remedy
    clears: frozenset[str]
    changes: tuple[Change, ...]
    cost: tuple[int, float, str]


@dataclass(frozen=True, slots=True)
class Together:
    """Remedies that clear all that can be cleared, proven as one change, and the document they lead to."""

    options: tuple[Option, ...]
    raw: Mapping[str, Any]


def options(bench: Bench, spared: Callable[[Finding], bool] = lambda _: False) -> tuple[Option, ...]:
    """What can be done about each finding that is not ``spared``, in the order in which findings are told."""
    found = []
    for finding in bench.baseline.findings:
        if spared(finding):
            continue
        proofs = bench.prove(finding)
        for remedy, clears in zip(proofs.remedies, proofs.cleared, strict=True):
            changes = tuple(changes_of(remedy.patch))
            cost = _cost(bench, remedy)
            found.append(Option(finding, remedy, clears, changes, cost))
    return tuple(found)


def _cost(bench: Bench, remedy: Remedy) -> tuple[int, float, str]:
    heard = bench.hear(apply(bench.raw, remedy.patch))
    if isinstance(heard, str):
        raise ValueError(f"not a proven change: {heard}")
    touched, distance = size(bench.circuit, heard.circuit)
    return touched, round(distance, 9), remedy.summary


def changes_of(operations: Iterable[Mapping[str, Any]]) -> Iterator[Change]:
    """The changes that a guarded patch makes."""
    old: dict[str, Any] = {}
    for operation in operations:
        if operation["op"] == "test":
            old[operation["path"]] = operation["value"]
        else:
            yield Change(operation["path"], old.get(operation["path"]), operation.get("value"))


def smallest(bench: Bench, found: Sequence[Option]) -> Together | None:
    """The cheapest set of options that is proven to clear every finding that any of them clears.

    ``None`` where one option is all there is to do, or no set within the budget is proven.
    """
    clearable = frozenset().union(*(option.clears for option in found))
    for chosen in covers(found, clearable)[:SETS_TRIED]:
        raw = _changed(bench.raw, compose(*(option.changes for option in chosen)))
        if raw is not None and _proves(bench, raw, clearable):
            return Together(chosen, raw)
    return None


def covers(found: Sequence[Option], wanted: frozenset[str]) -> list[tuple[Option, ...]]:
    """Sets of options that clear ``wanted``, none of whose members is idle, cheapest first."""
    made: dict[frozenset[int], tuple[Option, ...]] = {}
    by_finding = {key: [k for k, option in enumerate(found) if key in option.clears] for key in wanted}
    budget = BRANCHES

    def search(chosen: tuple[int, ...], open_: frozenset[str]) -> None:
        nonlocal budget
        budget -= 1
        if budget < 0:
            return
        if not open_:
            kept = _without_idle(found, chosen, wanted)
            made.setdefault(frozenset(kept), tuple(found[k] for k in sorted(kept)))
            return
        key = min(open_, key=lambda each: (len(by_finding[each]), each))
        for k in by_finding[key]:
            if _agree(found[k], [found[other] for other in chosen]):
                search((*chosen, k), open_ - found[k].clears)

    search((), wanted)
    return sorted(made.values(), key=_price)


def _without_idle(
    found: Sequence[Option], chosen: tuple[int, ...], wanted: frozenset[str]
) -> tuple[int, ...]:
    kept = list(chosen)
    for k in sorted(chosen, key=lambda each: found[each].cost, reverse=True):
        rest = frozenset().union(*(found[other].clears for other in kept if other != k))
        if wanted <= rest:
            kept.remove(k)
    return tuple(kept)


def _agree(option: Option, others: Iterable[Option]) -> bool:
    """No two of them change one place, or something inside it, in two ways."""
    for other in others:
        for mine in option.changes:
            for theirs in other.changes:
                if mine.pointer == theirs.pointer and mine.new == theirs.new and mine.old is not None:
                    continue
                if _overlap(mine.pointer, theirs.pointer):
                    return False
    return True


def _overlap(one: str, other: str) -> bool:
    return one == other or one.startswith(other + "/") or other.startswith(one + "/")


def _price(chosen: tuple[Option, ...]) -> tuple[int, float, tuple[str, ...]]:
    places = {change.pointer for option in chosen for change in option.changes}
    return len(places), sum(option.cost[1] for option in chosen), tuple(option.cost[2] for option in chosen)


def _changed(raw: Mapping[str, Any], changes: Iterable[Change]) -> dict[str, Any] | None:
    try:
        return apply(raw, patch_for(raw, changes))
    except CannotPatch:
        return None


def _proves(
    bench: Bench, raw: Mapping[str, Any], cleared: frozenset[str], also: Run | None = None
) -> bool:
    """All of ``cleared`` is gone from ``raw``, nothing is new or worse, and nothing got lost.

    Beside the baseline of the bench, or beside another run too.
    """
    heard = bench.hear(raw)
    if isinstance(heard, str):
        return False
    after = heard.whole()
    heard.forget()
    if cleared & {finding.identity for finding in after.findings}:
        return False
    targets = [finding for finding in bench.baseline.findings if finding.identity in cleared]
    return not losses(bench.baseline, after, targets) and not (also and losses(also, after, ()))


@dataclass(frozen=True, slots=True)
class Reduced:
    """A changed document without the changes that it does not need; ``restored`` are their places."""

    raw: Mapping[str, Any]
    restored: tuple[str, ...]


def reduced(start: Bench, final: Run, changes: Sequence[Change]) -> Reduced:
    """Put places back one by one, the largest change first, wherever nothing of what was won is lost.

    ``final`` is the run of the document with all ``changes`` (against the start) made.
    """
    kept = list(changes)
    restored = []
    won = frozenset(f.identity for f in start.baseline.findings) - {f.identity for f in final.findings}
    for change in sorted(changes, key=_extent)[:PLACES_TRIED]:
        rest = [other for other in kept if other != change]
        if not rest:
            break
        raw = _changed(start.raw, rest)
        if raw is not None and _proves(start, raw, won, final):
            kept = rest
            restored.append(change.pointer)
    return Reduced(apply(start.raw, patch_for(start.raw, kept)), tuple(restored))


def _extent(change: Change) -> tuple[int, str]:
    """Added parts first: what need not be fitted is the largest gain."""
    return 0 if change.old is None else 1, change.pointer
