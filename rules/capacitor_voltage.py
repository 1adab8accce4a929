"""No capacitor comes near its rated voltage, at rest or at any moment of a run."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.formulas.ratings import allowed
from rules.analysis.preferred import RATED_VOLTAGES
from rules.analysis.resolve import dielectric_of
from rules.analysis.stress import Pair, Peak, above, along, at_rest, capacitor_pair, moves, unfinished_runs
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.outcomes import not_applicable, of_each
from rules.ratings_words import Mark, Place, Rated, Verdict, graded, percent, rating, told
from rules.wording import member_pointer, say
from schemas.finding import Change, Grounds, Limit, Outcome, Proposal, Quantity
from schemas.quantities import document_text

if TYPE_CHECKING:
    from rules.analysis.study import Study
    from schemas.circuit import Part

ALUMINIUM = Limit(
    "aluminium",
    0.8,
    "",
    "Part Derating Parameters, System Reliability Center: 80 % benign, 70 % severe",
    "share of the rated voltage of an aluminium electrolytic that is in use at most",
)
FILM = Limit(
    "film",
    0.7,
    "",
    "Part Derating Parameters, System Reliability Center: plastic 70 % benign, 60 % severe",
    "the same of a film capacitor",
)
TANTALUM = Limit(
    "tantalum",
    0.5,
    "",
    "NASA EEE-INST-002, capacitors, table 4: solid tantalum 0.50 up to 70 degC",
    "the same of a solid tantalum capacitor",
)
CERAMIC = Limit(
    "ceramic",
    0.5,
    "",
    "class-2 ceramics lose capacitance with voltage; from memory (EEE-INST-002, table 4, has 0.60)",
    "the same of a ceramic capacitor",
)

PASSING = """\
format: thumbrule/1
name: bird-bath-filter
ground: gnd
parts:
  V1: {kind: supply, voltage: 12 V, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 1 kohm, pins: {a: rail, b: calm}}
  C1: {kind: capacitor, capacitance: 100 uF, voltage: 16 V, pins: {plus: calm, minus: gnd}}
"""
FAILING = PASSING.replace("16 V", "10 V")


class CapacitorVoltage:
    """Greatest voltage across every capacitor, either way, at rest and along every run."""

    slug = "capacitor-voltage"
    title = "Rated voltage of capacitors"
    protects = "a capacitor from breakdown and from an early end"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(ALUMINIUM, FILM, TANTALUM, CERAMIC)
    grounds = Grounds(
        rule_of_thumb="An electrolytic keeps a fifth of its rated voltage in hand, a film capacitor three"
        " tenths, tantalum and ceramic half.",
        formula="V_C,max <= k*V_r;  k = 0.8 aluminium, 0.7 film, 0.5 solid tantalum, 0.5 ceramic",
        symbols={
            "V_C,max": "greatest voltage across the capacitor, either way, V",
            "V_r": "rated voltage, V",
            "k": "share that is in use at most, 1",
        },
        source=f"{ALUMINIUM.source}; {TANTALUM.source}; ceramic: from memory",
        holds="at rest at the worst of all tolerances, along each run at the highest supply voltage",
        fails="for ripple and alternating current, which warm a capacitor long before its voltage is reached;"
        " capacitors in series share unequally",
    )
    lesson = Lesson(
        why="Oxide and film are made as thin as the rated voltage allows. Voltage in hand is life in hand:"
        " an electrolytic ages more slowly, a tantalum bead does not burn, a ceramic keeps its capacitance.",
        breaks="In a timer the margin has a price: the leakage that the maker allows grows with the rated"
        " voltage, whatever voltage there is, and leakage stretches the time. So the smallest rating that"
        " keeps a fifth in hand is the right one, not the largest in the box.",
        mend="Take the next rating up, and where the capacitor sets a time, work the leakage out again.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/V1/voltage", "12 V", "18 V"),
        derivation="rules.derivations.capacitor_voltage:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per capacitor: the worst resting state, and the worst moment of all runs."""
        return of_each(self, study, ("capacitor",), "capacitor", self._capacitor)

    def _capacitor(self, study: Study, part: Part) -> Iterator[Outcome]:
        name, share = part.name, self.limits[dielectric_of(part)].value
        rated = rating(study, name, "voltage", "V_r", None)
        if rated is None:
            yield not_applicable(self, (name,), f"no rated voltage of {name} is given (voltage)")
            return
        careful = allowed(rated.value, share)
        pair = capacitor_pair(part)
        peaks = _peaks(study, pair, careful, rated.value) if pair[0] != pair[1] else []
        if not peaks:
            yield not_applicable(self, (name,), f"no voltage across {name} is defined")
            return
        limits = (
            Mark("error", rated.value, f"it is rated {say(rated.value, 'V')}"),
            Mark(
                "warning",
                careful,
                f"limit {say(careful, 'V')}, {percent(share)} of its rated {say(rated.value, 'V')}"
                f" ({dielectric_of(part)})",
            ),
        )
        verdicts = [_verdict(name, peak, limits, rated) for peak in peaks]
        worst = max(verdicts, key=lambda verdict: verdict.gravity)
        for verdict in verdicts:
            mark = verdict.mark
            words = "" if mark is None else mark.words
            yield told(
                self,
                name,
                verdict,
                f"{name} stands at {say(verdict.value, 'V')} {verdict.place.words}; {words}.",
                member="voltage",
                proposals=self._larger(part, verdict.value / share)
                if verdict is worst and mark is not None and study.proposing
                else (),
            )
        if worst.mark is None:
            yield from self._without_reset(study, part, rated)
        if worst.mark is None and moves(study):
            for reason in unfinished_runs(study):
                yield Outcome(self.slug, "undecided", (name,), reason)

    def _without_reset(self, study: Study, part: Part, rated: Rated) -> Iterator[Outcome]:
        """A timing capacitor whose reset never comes goes on to its aim."""
        aims = [
            (abs(timed.aim), timed.name, corner)
            for corner in study.corners
            for timed in study.timing(corner)
            if timed.capacitor == part.name and timed.aim is not None
        ]
        if not aims:
            return
        volts, state, corner = max(aims)
        words = f"it is rated {say(rated.value, 'V')}"
        mark, test = graded(volts, (Mark("note", rated.value, words),), "V")
        proof = (Quantity("V_aim", f"where {part.name} would end", volts, "V"), rated.quantity)
        verdict = Verdict(volts, Place(state, corner, f'in "{state}"'), "aim", mark, test, proof)
        message = f'If what ends "{state}" never came, {part.name} would climb to {say(volts, "V")}; {words}.'
        yield told(self, part.name, verdict, message, member="voltage")

    def _larger(self, part: Part, needed: float) -> Iterator[Proposal]:
        """The smallest usual rating with enough in hand; the proof sees that it is allowed more leakage."""
        found = next((volts for volts in RATED_VOLTAGES if volts >= needed * (1.0 - 1e-9)), None)
        if found is not None:
            old = part.number("voltage")
            change = Change(member_pointer(part.name, "voltage"), old, document_text(found, "voltage"))
            yield Proposal(f"{part.name}: rated {say(found, 'V')}", (change,))


def _peaks(study: Study, pair: Pair, careful: float, rated: float) -> list[Peak]:
    """The worst resting state, and the worst moment of all runs where that is worse."""
    at_ends: list[tuple[Peak | None, Peak | None]] = []
    for ends in (pair, pair[::-1]):
        resting = at_rest(study, ends, lambda _, volts: volts > 0.5 * careful)
        at_ends.append((resting, above(resting, along(study, ends, (careful, rated)))))
    kinds = ([peak for peak in kind if peak is not None] for kind in zip(*at_ends, strict=True))
    best = [max(kind, key=lambda peak: peak.value) for kind in kinds if kind]
    return [peak for peak in best if peak.value > 0.0] or best[:1]


def _verdict(name: str, peak: Peak, limits: tuple[Mark, ...], rated: Rated) -> Verdict:
    volts = max(0.0, peak.value)
    mark, test = graded(volts, limits, "V")
    share = limits[-1].value / rated.value
    proof = (
        Quantity("V_C", f"greatest voltage across {name}", volts, "V"),
        rated.quantity,
        Quantity("k", "share of it that is in use at most", share, ""),
    )
    return Verdict(volts, Place.of(peak), "voltage", mark, test, proof)


RULE = CapacitorVoltage()
