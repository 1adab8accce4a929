"""The answers of the service as typed dictionaries.

They describe what a caller gets from :class:`clients.http_client.Client` and
from the in-process facade alike; both return plain JSON data.  Numbers are in
SI units; ``None`` stands for *undefined* (a node that nothing holds).
"""

from __future__ import annotations

from typing import Any, Literal, TypedDict

Patch = list[dict[str, Any]]
"""RFC 6902 operations in order."""


class State(TypedDict, total=False):
    """One DC state: regions, node voltages (V), pin currents (A, into the part), powers (W)."""

    name: str
    stable: bool
    index: int
    devices: dict[str, str]
    nets: dict[str, float | None]
    currents: dict[str, dict[str, float | None]]
    power: dict[str, float | None]
    held: dict[str, float]
    """Voltages (V) of the capacitors that are held; only in timed and frozen states."""
    ends: dict[str, Any] | None
    course: list[dict[str, Any]]
    then: list[dict[str, Any]]
    outcome: Literal["settles", "oscillates", "undecided"]


class Configuration(TypedDict, total=False):
    """All states for one position of every contact and one level of every driver."""

    contacts: dict[str, str]
    drivers: dict[str, str]
    reached_by: list[str]
    complete: bool
    states: list[State]
    timed: list[State]


class StatesAnswer(TypedDict, total=False):
    """``/v1/states``.  ``complete`` is false when a step budget ended the search."""

    circuit: str
    complete: bool
    beta: Literal["min", "typical", "max"]
    held: dict[str, float]
    assumed: list[dict[str, Any]]
    configurations: list[Configuration]
    problems: list[str]


class Threshold(TypedDict, total=False):
    """The voltage (V) at which a capacitor ended a state, and the voltage it was bound for."""

    part: str
    voltage: float
    aim: float | None
    at: float
    kind: Literal["jump", "region"]
    state: str
    after: float


class TimelineAnswer(TypedDict, total=False):
    """``/v1/timelines``.  Times in s; a time that comes twice is a jump, ``None`` is a gap or without end."""

    circuit: str
    stimulus: str | None
    events: list[dict[str, Any]]
    intervals: list[dict[str, Any]]
    nets: dict[str, dict[str, list[float | None]]]
    verdict: Literal["settles", "oscillates", "never-ends", "undecided"]
    period: float | None
    reason: str
    start: str
    beta: str
    leakage: str
    model: str
    complete: bool
    before: dict[str, Any] | None
    drawn_to: float
    outputs: list[str]
    stored: dict[str, dict[str, Any]]
    thresholds: list[Threshold]
    assumed: list[dict[str, Any]]
    problems: list[str]


class SpreadAnswer(TypedDict, total=False):
    """``/v1/spreads``.  ``samples`` of ``asked`` were done; SI units, ``None`` where undefined."""

    circuit: str
    samples: int
    asked: int
    seed: int
    complete: bool
    distribution: str
    varied: list[dict[str, Any]]
    states: list[dict[str, Any]]
    quantities: list[dict[str, Any]]
    yields: list[dict[str, Any]]
    left_out: list[dict[str, Any]]
    assumed: list[dict[str, Any]]
    problems: list[str]


class SheetsAnswer(TypedDict, total=False):
    """``/v1/sheets``: the hand working of each state, step by step; SI units, ``None`` where undefined."""

    circuit: str
    beta: str
    complete: bool
    sheets: list[dict[str, Any]]
    assumed: list[dict[str, Any]]
    problems: list[str]


class Finding(TypedDict, total=False):
    """One violated rule at one place with the numbers behind it."""

    identity: str
    rule: str
    severity: Literal["error", "warning", "note"]
    parts: list[str]
    nets: list[str]
    pointers: list[str]
    role: str
    state: str | None
    corner: str | None
    message: str
    evidence: list[dict[str, Any]]
    test: dict[str, Any]
    grounds: dict[str, Any]
    remedies: list[dict[str, Any]]
    advice: list[str]
    caused_by: str | None
    waiver: Waived | None
    occurrences: list[dict[str, Any]]


class ReviewAnswer(TypedDict, total=False):
    """``/v1/reviews``."""

    circuit: str
    ruleset: str
    complete: bool
    states: list[dict[str, Any]]
    timed: list[dict[str, Any]]
    findings: list[Finding]
    outcomes: list[dict[str, Any]]
    assumed: list[dict[str, Any]]
    cautions: list[str]
    problems: list[str]
    policy: list[str]
    waivers: list[Waived]


class Waived(TypedDict, total=False):
    """The waiver at a finding, or (with ``rule`` to ``covers``) one of the ``waivers`` of an answer.

    Only ``in-force`` takes a finding out of the count; ``side`` is told in a comparison.
    """

    pointer: str
    rule: str
    parts: list[str]
    nets: list[str]
    reason: str
    owner: str
    expires: str
    accepted: float | str | None
    status: Literal["in-force", "expired", "malformed", "unused", "changed", "not-waivable", "not-judged",
                    "proposed", "withdrawn"]
    explanation: str
    covers: list[str]
    side: Literal["base", "head"]


class MarkedFinding(Finding, total=False):
    """A finding of the head, compared with the base.  ``margin`` is in units of the limit.

    ``counts``: it is new, or worsened, or its waiver ran out, and no waiver in force covers it.
    """

    mark: Literal["new", "known", "worsened"]
    margin: float | None
    before: dict[str, Any] | None
    places: int
    counts: bool
    why: str


class ComparisonAnswer(TypedDict, total=False):
    """``/v1/comparisons``.  ``gone`` are findings of the base, ``eroded`` still holds by less."""

    circuit: str
    ruleset: str
    complete: bool
    today: str | None
    worse_by: float
    renamed: dict[str, dict[str, str]]
    findings: list[MarkedFinding]
    gone: list[Finding]
    eroded: list[dict[str, Any]]
    unjudged: list[dict[str, Any]]
    """Judged in the base, and not any more."""
    terms: list[dict[str, Any]]
    """Requirements, ambient and the like that are others than in the base."""
    waivers: list[Waived]
    base: dict[str, Any] | None
    review: ReviewAnswer


class MendAnswer(TypedDict, total=False):
    """``/v1/remedies``: the patched raw document, the patch, and the review of the result."""

    circuit: str
    document: dict[str, Any]
    patch: Patch
    applied: list[dict[str, Any]]
    restored: list[str]
    remaining: list[Finding]
    withdrawn: str | None
    review: ReviewAnswer


class ReadyAnswer(TypedDict, total=False):
    """``/ready``: whether a known circuit was reviewed correctly."""

    ready: bool
    ruleset: str
    checks: list[Any]
