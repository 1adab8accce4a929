"""The whole service in process: what the command line calls and what HTTP serves.

Every function returns JSON-ready data: fixed member order, SI units, undefined
numbers as ``None``.  Nothing here imports the web framework.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Literal

from schemas.finding import SEVERITIES
from schemas.problems import Complaint, nearest_name
from service import engine, shapes, waivers
from service import states as state_shapes
from service.ruleset import Ruleset, installed

if TYPE_CHECKING:
    from datetime import date

    from schemas.document import Document
    from schemas.finding import Finding
    from service.policy import Policy
    from service.waivers import MalformedWaiver

Json = dict[str, Any]
Threshold = Literal["error", "warning", "note"]
BETAS = ("min", "typical", "max")
MOST_WORSE_BY = 10.0


class UnknownRule(LookupError):
    """No rule has this slug; ``nearest`` is the known one that was likely meant."""

    def __init__(self, slug: str, nearest: str | None, known: tuple[str, ...]) -> None:
        super().__init__(f"no rule is called {slug!r}" + (f"; nearest: {nearest}" if nearest else ""))
        self.slug = slug
        self.nearest = nearest
        self.known = known


class OptionRefused(ValueError):
    """An option (``beta``, ``hold``) has a value that cannot be used; ``complaint`` says what is accepted."""

    def __init__(self, option: str, complaint: Complaint) -> None:
        super().__init__(f"{option}: {complaint.detail}")
        self.option = option
        self.complaint = complaint


def read(data: bytes, spelling: Literal["json", "yaml"] | None = None, name: str = "") -> Document:
    """A checked document from bytes; ``spelling`` is told by ``name`` or by the text when not given.

    Raises :class:`schemas.problems.DocumentProblems` with every problem and its place.
    """
    from service.documents import read_document

    return read_document(data, spelling, name)


def read_leniently(
    data: bytes, spelling: Literal["json", "yaml"] | None = None, name: str = ""
) -> tuple[Document, tuple[MalformedWaiver, ...]]:
    """As :func:`read`, but waivers that cannot be used are set aside instead of refusing the document.

    Hand them to :func:`review` or :func:`compare`, which tell them and count them as expired.
    """
    from service.documents import read_leniently as read_document

    return read_document(data, spelling, name)


def review(
    document: Document,
    *,
    remedies: bool = True,
    ruleset: Ruleset | None = None,
    today: date | None = None,
    malformed: Sequence[MalformedWaiver] = (),
) -> Json:
    """The review of ``document``: every state, finding and outcome; remedies are proven unless left out.

    With ``today`` its waivers are judged at that date (the day of expiry still counts): a waiver in force
    takes its finding out of the count of :func:`exit_status`, the finding itself stays.  Without a date no
    waiver is in force.  ``malformed`` are the waivers that :func:`read_leniently` set aside.
    """
    rules_in_use = ruleset or installed()
    found = engine.review(document.circuit, rules_in_use, remedies, document.raw)
    entries = waivers.entries(document.circuit.waivers, malformed)
    judged = waivers.judge(entries, found.findings, rules_in_use, today)
    return shapes.with_waivers(shapes.review_shape(found), judged)


def compare(
    base: Document | None,
    head: Document,
    *,
    today: date | None = None,
    worse_by: float = 0.01,
    remedies: bool = True,
    ruleset: Ruleset | None = None,
    known: Sequence[Mapping[str, Any]] | None = None,
    base_malformed: Sequence[MalformedWaiver] = (),
    head_malformed: Sequence[MalformedWaiver] = (),
) -> Json:
    """Two versions of a circuit: each finding of ``head`` is new, known or worsened; those gone are told too.

    Parts and nets with other names are found again by how they are wired.  A finding is worsened when its
    severity rose, when it is seen in more states, or when its margin fell by more than ``worse_by`` of the
    limit (of the margin itself where that is larger than the limit).  The waivers of ``base`` judge, at the
    date ``today``: those that ``head`` brings are only proposed, those that it takes out count no more.
    ``known`` are findings that were accepted as known, as a baseline keeps them: ``identity``, ``severity``,
    ``margin`` (in units of the limit) and ``places``; of a finding that both have, the better numbers count.

    Each finding has ``counts``: it is new, or worsened, or its waiver ran out, and no waiver in force covers
    it.  Raises :class:`OptionRefused` for a ``worse_by`` that is no share.
    """
    from service.comparison.compare import Side, comparison

    if not (math.isfinite(worse_by) and 0.0 <= worse_by <= MOST_WORSE_BY):
        detail, accepted = "the share is out of range", f"0 to {MOST_WORSE_BY:g}, such as 0.01 or 1 %"
        raise OptionRefused("worse_by", Complaint(detail, seen=f"{worse_by:g}", accepted=accepted))
    sides = [
        Side(document.circuit, document.raw, waivers.entries(document.circuit.waivers, malformed))
        for document, malformed in ((head, head_malformed), (base, base_malformed))
        if document is not None
    ]
    return comparison(
        sides[1] if base is not None else None, sides[0], ruleset or installed(), today=today,
        worse_by=worse_by, remedies=remedies, known=known or ())  # fmt: skip


def states(document: Document, *, beta: str = "typical", hold: Mapping[str, float] | None = None) -> Json:
    """Every DC state of every configuration at one corner of the current gains.

    ``hold`` keeps capacitors at a voltage in V (their plus or ``a`` pin against
    the other), for the states that exist only while they are charged.  Raises
    :class:`OptionRefused` for an unknown corner or part.
    """
    _check_choice("beta", "no such corner of the current gain", beta, BETAS)
    for name in sorted(hold or {}):
        _check_held(document, name)
    return state_shapes.states_shape(document.circuit, beta, dict(hold or {}))


def _check_choice(option: str, detail: str, value: str, known: Sequence[str]) -> None:
    if value in known:
        return
    accepted, nearest = ", ".join(known), nearest_name(value, known)
    raise OptionRefused(option, Complaint(detail, seen=repr(value), accepted=accepted, nearest=nearest))


def _check_held(document: Document, name: str) -> None:
    capacitors = sorted(key for key, part in document.circuit.parts.items() if part.kind == "capacitor")
    if name in capacitors:
        return
    part = document.circuit.parts.get(name)
    detail = f"{name} is not a part of this circuit" if part is None else f"{name} is a {part.kind}"
    raise OptionRefused(
        "hold",
        Complaint(
            f"only a capacitor can be held at a voltage; {detail}",
            seen=name,
            accepted=", ".join(capacitors) or "nothing: this circuit has no capacitor",
            nearest=nearest_name(name, capacitors),
        ),
    )


def timeline(
    document: Document,
    *,
    stimulus: str | None = None,
    beta: str = "typical",
    leakage: str = "none",
    start: str | None = None,
    model: str = "hand",
    until: float | None = None,
) -> Json:
    """The course in time after ``stimulus``, event by event.

    Without ``stimulus`` the only one of the document is meant; where it has
    none, nothing is moved.  ``start`` is ``rest`` (the first stable state),
    ``power-up`` (nothing stored) or the name of a state; unless given it is
    rest with a stimulus and power-up without.  ``leakage`` counts that of the
    capacitors at its ``limit`` or not at all; ``until`` (s) is where the curves
    end, else a sensible end is chosen.  Raises :class:`OptionRefused`.
    """
    from service import timelines

    circuit = document.circuit
    _check_choice("beta", "no such corner of the current gain", beta, BETAS)
    _check_choice("leakage", "no such leakage", leakage, timelines.LEAKAGES)
    _check_choice("model", "no such model", model, timelines.MODELS)
    names = sorted(circuit.stimuli)
    if stimulus is None and len(names) > 1:
        raise OptionRefused(
            "stimulus",
            Complaint("several stimuli are declared: say which one", accepted=", ".join(names)),
        )
    if stimulus is not None and not names:
        detail = "this circuit declares no stimulus"
        raise OptionRefused("stimulus", Complaint(detail, seen=repr(stimulus), accepted="none: leave it out"))
    if stimulus is not None:
        _check_choice("stimulus", "no such stimulus", stimulus, names)
    if until is not None and not (math.isfinite(until) and until > 0):
        raise OptionRefused("until", Complaint("a time above zero is needed", seen=f"{until:g} s"))
    wanted = names[0] if stimulus is None and names else stimulus
    begin = start or ("rest" if wanted else "power-up")
    study = timelines.study_of(circuit)
    _check_choice("start", "no such state to start from", begin, timelines.starts(study, beta))
    return timelines.run(study, wanted, beta, leakage, begin, model, until)


def spread(
    document: Document,
    *,
    samples: int = 1000,
    seed: int = 1,
    budget: int | None = None,
    progress: Callable[[int, int], bool | None] | None = None,
) -> Json:
    """How far states, voltages and delays spread over all tolerances, and the yield of the requirements.

    ``samples`` random circuits are drawn (``seed``), at most ``budget`` of them
    worked out; ``progress`` hears (done, asked) and ends the run by returning
    true.  What was not done is told: ``complete`` is false then.  Raises
    :class:`OptionRefused`.
    """
    from service import spreads
    from service.timelines import study_of

    limits = (("samples", samples, 1, spreads.MOST_SAMPLES), ("seed", seed, 0, spreads.MOST_SEED),
              ("budget", budget, 1, spreads.MOST_SAMPLES))  # fmt: skip
    for name, value, least, most in limits:
        if value is not None and not least <= value <= most:
            detail, accepted = "the number is out of range", f"{least} to {most}"
            raise OptionRefused(name, Complaint(detail, seen=str(value), accepted=accepted))
    return spreads.spread_shape(study_of(document.circuit), samples, seed, budget, progress)


def bench(
    document: Document,
    *,
    meter: str = "10 Mohm",
    measured: Mapping[str, float] | None = None,
    ruleset: Ruleset | None = None,
) -> Json:
    """The parts list and the bench sheet: what to buy, how to bring it up, what a meter has to show.

    ``meter`` is a resistance, or one per volt of range (``20 kohm/V``); ``measured`` gives sources the
    voltage (V) that was measured at them.  Raises :class:`OptionRefused`.
    """
    from service.bench.asked import check_measured, meter_of
    from service.bench.sheet import sheet as bench_sheet

    try:
        chosen = meter_of(meter)
    except Complaint as complaint:
        raise OptionRefused("meter", complaint) from complaint
    try:
        check_measured(document.circuit, measured or {})
    except Complaint as complaint:
        raise OptionRefused("measured", complaint) from complaint
    made = bench_sheet(document.circuit, ruleset or installed(), chosen, dict(measured or {}))
    return dict(shapes.finite(made))


def sheet(document: Document, *, state: str | None = None, beta: str = "typical") -> Json:
    """The hand working of every state called ``state``, or of all: each step with its formula and number.

    DC states, the unstable ones too, and states in which a capacitor still
    holds its voltage.  Raises :class:`OptionRefused` for an unknown corner or name.
    """
    from service import sheets
    from service.timelines import study_of

    _check_choice("beta", "no such corner of the current gain", beta, BETAS)
    study = study_of(document.circuit)
    if state is not None:
        _check_choice("state", "no such state", state, sheets.names(study, beta))
    return sheets.sheets_shape(study, beta, state)


def mend(document: Document, *, ruleset: Ruleset | None = None, today: date | None = None) -> Json:
    """Apply proven remedies, worst finding first, until none is left; the document itself is not changed.

    What a waiver in force covers was accepted as it is and is not mended; waivers are judged at the date
    ``today``, see :func:`review`.
    """
    from service.mend import mend as mend_circuit

    rules_in_use = ruleset or installed()
    entries = waivers.entries(document.circuit.waivers)

    def accepted(finding: Finding) -> bool:
        return waivers.is_in_force(waivers.judge(entries, [finding], rules_in_use, today), finding)

    mended = mend_circuit(document.circuit, document.raw, rules_in_use, spared=accepted)
    judged = waivers.judge(entries, mended.review.findings, rules_in_use, today)
    result = shapes.with_waivers(shapes.review_shape(mended.review), judged)
    return {
        "circuit": document.circuit.name,
        "document": shapes.finite(mended.raw),
        "patch": [dict(operation) for operation in mended.patch],
        "applied": [
            {
                "identity": step.finding.identity,
                "rule": step.finding.rule,
                "pass": step.in_pass,
                "together": step.together,
                "clears": list(step.clears),
                **shapes.remedy_shape(step.remedy),
            }
            for step in mended.steps
        ],
        "restored": list(mended.restored),
        "remaining": [
            {**finding, "why": _why_left(finding, mended.reasons.get(finding["identity"], ()))}
            for finding in result["findings"]
        ],
        "withdrawn": mended.withdrawn,
        "review": result,
    }


def _why_left(finding: Mapping[str, Any], reasons: Sequence[str]) -> list[str]:
    return ["it is waived, so it is left as it is"] if shapes.is_waived(finding) else list(reasons)


def rules(*, ruleset: Ruleset | None = None) -> list[Json]:
    """The catalogue of rules, sorted by slug."""
    return [shapes.rule_shape(entry) for entry in (ruleset or installed()).rules]


def lesson(slug: str, *, ruleset: Ruleset | None = None, depth: str = "lesson", prove: bool = False,
           document: Document | None = None) -> Json:  # fmt: skip
    """What one rule teaches, at that depth, and what it says of ``document`` if there is one.

    Raises :class:`UnknownRule`, and :class:`OptionRefused` for an unknown depth.
    """
    from service.lessons import DEPTHS, lesson_shape

    _check_choice("depth", "no such depth", depth, DEPTHS)
    catalogue = ruleset or installed()
    entry = catalogue.find(slug)
    if entry is None:
        known = tuple(item.slug for item in catalogue.rules)
        raise UnknownRule(slug, nearest_name(slug, known), known)
    return lesson_shape(entry, catalogue, depth, prove, document)


def policy(chosen: Policy | None = None) -> Json:
    """The policy in effect, each line with its origin.  Raises :class:`service.policy.PolicyRefused`."""
    from service.policy import NO_POLICY, allowed_rules, effective

    asked = NO_POLICY if chosen is None else chosen
    before = installed() if asked.allowed is None else allowed_rules(asked)
    return dict(shapes.finite(effective(asked, before)))


def part_types() -> Json:
    """The published part types with their promises and sources."""
    from rules.analysis.part_types import catalogue

    return {"part_types": shapes.finite(catalogue())}


def circuit_schema() -> Json:
    """The JSON Schema (2020-12) of a circuit document."""
    from schemas.json_schema import circuit_schema as schema

    return schema()


def exit_status(review: Mapping[str, Any], threshold: Threshold = "warning") -> Literal[0, 1, 2]:
    """0 nothing at or above the threshold, 1 findings, 2 could not check.

    A finding with a waiver in force does not count.  Could not check: a rule
    failed or could not be loaded, not every state was found, or the network has
    a fault that leaves a configuration without an answer.
    """
    if threshold not in SEVERITIES:
        raise ValueError(f"threshold is {threshold!r}; it has to be one of {', '.join(SEVERITIES)}")
    failed = any(outcome["kind"] == "failed" for outcome in review["outcomes"])
    if failed or not review["complete"] or review["problems"]:
        return 2
    counted = SEVERITIES[: SEVERITIES.index(threshold) + 1]
    told = (finding for finding in review["findings"] if not shapes.is_waived(finding))
    return 1 if any(finding["severity"] in counted for finding in told) else 0


def ready(*, ruleset: Ruleset | None = None) -> Json:
    """Is the service fit to answer?  Loads the rules and reviews a circuit with a known answer."""
    from service.self_check import run_checks

    catalogue = ruleset or installed()
    checks = run_checks(catalogue.as_brought())  # what a policy finds in the known circuit is no defect
    return {"ready": all(check["ok"] for check in checks), "ruleset": catalogue.digest, "checks": checks}
