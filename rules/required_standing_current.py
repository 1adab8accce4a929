"""A state draws no more from its supplies than a requirement allows, leakage in the heat included."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.named import missing_corners
from rules.analysis.requirements import Asked, asked
from rules.analysis.standing import Drain, drains_of, sources
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.required_words import limits, none_asked, nowhere, satisfied, undecided, violated, why_unknown
from rules.standing_words import cures, evidence, of_leakage, place
from rules.wording import listed, say
from schemas.finding import Grounds, Limit, Outcome, Quantity, Test

if TYPE_CHECKING:
    from rules.analysis.study import Study

PASSING = """\
format: thumbrule/1
name: mailbox-lamp
ground: gnd
ambient: {low: -10 degC, nominal: 20 degC, high: 40 degC}
parts:
  BT1: {kind: battery, voltage: 6 V, high: 6.6 V, resistance: 2 ohm, keyed: true,
        pins: {plus: rail, minus: gnd}}
  S1: {kind: contact, rest: open, pins: {a: rail, b: flap}}
  R1: {kind: resistor, resistance: 10 kohm, pins: {a: flap, b: base}}
  R2: {kind: resistor, resistance: 100 kohm, pins: {a: base, b: gnd}}
  Q1: {kind: npn, beta: 200, icbo: 100 nA, pins: {collector: lamp, base: base, emitter: gnd}}
  R3: {kind: resistor, resistance: 330 ohm, pins: {a: rail, b: lamp}}
  C1: {kind: capacitor, capacitance: 100 uF, voltage: 10 V, leakage: 0.002CV, pins: {plus: rail, minus: gnd}}
states:
  waiting: {Q1: off}
requirements:
  - {kind: standing-current, state: waiting, at_most: 5 uA}
"""
FAILING = PASSING.replace(", leakage: 0.002CV", "")


class RequiredStandingCurrent:
    """Current from all supplies in a named state against its requirement, at its worst corner."""

    slug = "required-standing-current"
    title = "Required standing current"
    protects = "the battery from what the circuit draws while nothing happens"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of()
    grounds = Grounds(
        rule_of_thumb="The current of a state is what it draws on a hot day, every part leaking its limit.",
        formula="I = sum over the supplies, with I_L of each capacitor and I_CBO*2^((T - 25)/10) of each"
        " blocking collector",
        symbols={
            "I": "current from all batteries and supplies together, A",
            "I_L": "leakage limit of a capacitor at the highest ambient temperature, A",
            "I_CBO": "collector-base leakage limit at 25 degC, A",
            "T": "highest ambient temperature, degC",
        },
        source="I_CBO doubles every 10 K (Bell, Electronic Devices and Circuits, ex. 5.18); leakage limits of"
        " capacitors as timing-leakage has them",
        holds="for the contacts at rest where the state exists there, else for every position",
        fails="for diodes, whose reverse current is left out, and for the board, which leaks when it is wet;"
        " a timed state is judged without leakage; what a logic output brings is not counted",
    )
    lesson = Lesson(
        why="On paper an off transistor and a charged capacitor draw nothing. In the shed in August both"
        " leak: an electrolytic may pass a hundredth of its charge per second, a collector-base junction"
        " doubles its leakage every ten kelvin, and a base left open multiplies it by the gain.",
        breaks="A bench meter at room temperature sees a tenth of it. The limit of a data sheet is a promise,"
        " not a measurement: most parts leak far less, the one in the box may not.",
        mend="A capacitor of a low-leakage grade, a bleed at every base, larger resistors where dividers"
        " stand across the battery (as far as their loads allow), or a contact that takes the rest of the"
        " circuit off.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/C1/capacitance", "100 uF", "1000 uF"),
        derivation="rules.derivations.required_standing_current:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per requirement and situation that fits its state."""
        items = asked(study.circuit, "standing-current")
        if not items:
            yield none_asked(self, "standing-current")
        for item in items:
            yield from self._judge(study, item)

    def _judge(self, study: Study, item: Asked) -> Iterator[Outcome]:
        names = sources(study.circuit)
        if not names:
            yield undecided(self, item, (), "there is no battery and no supply whose current could be judged")
            return
        lost = missing_corners(study, item.state)
        if lost:
            yield nowhere(self, study, item, lost, names, ())
        found = drains_of(study, item.state, names)
        if not found and not lost:
            reason = f'the circuit does not determine the current from {listed(names)} in "{item.state}"'
            yield undecided(self, item, names, reason)
        for k, drain in enumerate(found):
            yield self._situation(study, item, names, drain, first=k == 0)

    def _situation(
        self, study: Study, item: Asked, names: tuple[str, ...], drain: Drain, first: bool
    ) -> Outcome:
        limit = item.window.high
        test = Test.at_most(drain.amperes, limit, "A")
        if test.holds:
            unknown = why_unknown(study)
            if unknown:
                return undecided(self, item, names, f"not every state is known: {unknown}")
            if drain.missing:
                reason = f"{listed(drain.missing)} is missing: without it nobody knows what may leak there"
                return undecided(self, item, names, reason)
            told = (
                Quantity("I_max", "greatest current in this state", drain.amperes, "A"),
                Quantity("I", "the same at nominal values without leakage", drain.nominal, "A"),
            )
            return satisfied(self, item, names, test, drain.situation.label, drain.corner, told)
        message = (
            f"{listed(names)} bring up to {say(drain.amperes, 'A')} in {place(drain)}; {say(limit, 'A')} are"
            f" accepted. It is {say(drain.nominal, 'A')} at nominal values without leakage."
            f"{of_leakage(study, drain)}"
        )
        if len(names) == 1:
            message = message.replace(" bring up", " brings up", 1)
        proposals, advice = cures(study, drain, names, limit) if first and study.proposing else ((), ())
        return violated(
            self,
            item,
            test,
            message,
            [*limits(item, "I", "current", "A"), *evidence(study, drain, names)],
            state=drain.situation.label,
            corner=drain.corner,
            parts=names,
            proposals=proposals,
            advice=advice,
        )


RULE = RequiredStandingCurrent()
