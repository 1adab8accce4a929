"""A switch gets several times the base current that its least gain needs."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from rules.analysis.drive import (
    ROLE,
    Drive,
    by_hand,
    cornered,
    drives,
    feed_resistors,
    feeds,
    largest_for,
    stronger,
    subject,
    why_not_judged,
)
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.outcomes import not_applicable, satisfied, violated
from rules.wording import from_to, listed, new_resistance, part_quantity, say, where
from schemas.finding import Grounds, Limit, Outcome, Proposal, Quantity, Severity, Test

if TYPE_CHECKING:
    from rules.analysis.roles import Stage
    from rules.analysis.study import Study

EDGE = Limit(
    "edge",
    1.0,
    "",
    "definition of saturation: I_C <= beta * I_B",
    "overdrive below which it does not saturate",
)
SURE = Limit(
    "sure",
    3.0,
    "",
    "overdrive of 2 to 5, from memory; Venkata Rao, Pulse and Digital Circuits, ch. 9, takes 1.5; the 2N3904,"
    " 2N2222A and 2N2907A sheets give V_CE,sat at I_C/I_B = 10, the BC547 and BC557 sheets at 20",
    "overdrive with which every transistor of the type saturates",
)
WASTE = Limit("waste", 50.0, "", "common practice, no source", "overdrive beyond which drive is only wasted")
ENOUGH = 10.0  # overdrive that a wasteful drive is brought down to

PASSING = """\
format: thumbrule/1
name: mist-valve
ground: gnd
parts:
  V1: {kind: supply, voltage: 12 V, pins: {plus: rail, minus: gnd}}
  U1: {kind: driver, low: 0 V, high: 5 V, pins: {out: order, reference: gnd}}
  R1: {kind: resistor, resistance: 2.7 kohm, pins: {a: order, b: base}}
  Q1: {kind: npn, beta: {min: 100, max: 300}, pins: {collector: valve, base: base, emitter: gnd}}
  K1: {kind: coil, resistance: 330 ohm, nominal: 12 V, pins: {plus: rail, minus: valve}}
  D1: {kind: diode, pins: {anode: valve, cathode: rail}}
"""
FAILING = PASSING.replace("2.7 kohm", "22 kohm")


class MinBetaDrive:
    """Overdrive of every switch at its least gain, in every state in which it is on."""

    slug = "min-beta-drive"
    title = "Base drive at the least gain"
    protects = "a switch from staying half on with the weakest transistor of its type"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(EDGE, SURE, WASTE)
    grounds = Grounds(
        rule_of_thumb="A switch gets three times the base current that its least gain needs.",
        formula="ODF = beta_min * I_B / I_C >= 3;"
        "  R_B <= (V_drive - V_BE) / (3 * I_C / beta_min + V_BE / R_BE)",
        symbols={
            "ODF": "overdrive factor, 1",
            "beta_min": "least current gain at this collector current, 1",
            "I_B": "base current, A",
            "I_C": "collector current of the saturated transistor, A",
            "R_B": "base resistor, ohm",
            "V_drive": "voltage that feeds it, above the emitter, V",
            "V_BE": "base-emitter voltage, V",
            "R_BE": "resistor from base to emitter, ohm",
        },
        source=SURE.source,
        holds="for a transistor whose collector current the load sets once it saturates",
        fails="for a transistor whose emitter current is set elsewhere; and for the moment of switching on,"
        " where a lamp or a motor draws 5 to 15 times its running current",
    )
    lesson = Lesson(
        why="Gain is a floor, not a constant: a type is promised with a least value, and that only at one"
        " collector current. Demand three times the base current that this least value needs, and every"
        " transistor in the bag saturates, cold and with an old battery too.",
        breaks="Cold takes gain away: about half a per cent per kelvin. A lamp, a motor or a capacitor draws"
        " 5 to 15 times its running current at switch-on, and gain is lower at that current still. A"
        " Darlington pair never saturates below 0.7 to 0.9 V. Far more drive than this only makes the"
        " transistor slow to turn off.",
        mend="Lower the base resistor to the next preferred value below the formula, then look at what"
        " drives it: it has to bring that current.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/R1/resistance", "2.7 kohm", "22 kohm"),
        derivation="rules.derivations.min_beta_drive:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per switch, situation and corner."""
        if not study.roles.stages:
            yield not_applicable(self, (), "there is no transistor")
        for name in sorted(study.roles.stages):
            yield from self._stage(study, study.roles.stages[name])

    def _stage(self, study: Study, stage: Stage) -> Iterator[Outcome]:
        about = (stage.transistor,)
        reason = why_not_judged(study, stage)
        found, reasons = drives(study, stage) if not reason else ((), ())
        if not found:
            reason = reason or (reasons[0] if reasons else f"{stage.transistor} conducts in no state")
            yield not_applicable(self, about, reason)
            return
        every = (*found, *cornered(study, stage))
        worst = min(every, key=lambda drive: drive.factor)
        sure, edge, waste = (self.limits[name].value for name in ("sure", "edge", "waste"))
        for drive in every:
            test = Test.at_least(drive.factor, sure, "")
            if test.holds:
                yield satisfied(self, about, drive.situation, test, (_least(drive), *_currents(drive)))
                continue
            severity: Severity = "error" if drive.factor < edge else "warning"
            proposals = _more(study, every, sure) if study.proposing and drive is worst else ()
            yield self._violated(study, found, drive, test, severity, ROLE, proposals)
        if worst.factor > waste:
            test = Test.at_most(worst.factor, waste, "")
            less = _less(study, every) if study.proposing else ()
            yield self._violated(study, found, worst, test, "note", "excess drive", less)

    def _violated(
        self,
        study: Study,
        found: Sequence[Drive],
        drive: Drive,
        test: Test,
        severity: Severity,
        role: str,
        proposals: Iterable[Proposal],
    ) -> Outcome:
        parts, nets = subject(study, drive.stage, found)
        message = _message(study, drive, severity, self.limits)
        evidence = _evidence(study, drive, self.limits["sure"].value)
        about = (drive.stage.transistor,)
        return violated(
            self,
            study,
            about,
            drive.situation,
            test,
            severity,
            message,
            evidence,
            role=role,
            parts=parts,
            nets=nets,
            proposals=proposals,
        )


def _message(study: Study, drive: Drive, severity: Severity, limits: Mapping[str, Limit]) -> str:
    name = drive.stage.transistor
    needed = drive.collector / drive.gain.value
    gets = (
        f"{name} gets {say(drive.base, 'A')} of base current and needs {say(needed, 'A')} to saturate with"
        f" {say(drive.collector, 'A')} at its least gain of {drive.gain.value:.3g}"
    )
    place = where(drive.situation)
    if severity == "note":
        return (
            f"{gets}: {drive.factor:.3g} times as much ({place}). Beyond"
            f" {limits['waste'].value:g} times it is only slower to turn off, and the current is wasted."
        )
    wanted = limits["sure"].value
    text = f"{gets}: {drive.factor:.3g} times as much where {wanted:g} times is wanted ({place})."
    if drive.region == "active":
        power = drive.situation.state.power[name]
        text += f" It stays active with {say(drive.vce, 'V')} across it"
        text += f" and turns {say(power, 'W')} into heat." if power is not None else "."
    loads = [
        part.name
        for part in study.circuit.parts.values()
        if part.kind == "load" and drive.stage.collector in part.pins.values()
    ]
    if loads:
        text += f" At switch-on {listed(loads)} may draw several times this current."
    return text


def _evidence(study: Study, drive: Drive, sure: float) -> Iterator[Quantity]:
    yield _least(drive)
    for part in feed_resistors(study, drive):
        found = part_quantity(study, part, "resistance", part, "feeds the base")
        if found is not None:
            yield found
    for part in drive.stage.bleeds:
        found = part_quantity(study, part, "resistance", part, "from base to emitter")
        if found is not None:
            yield found
    yield from _currents(drive)
    if drive.forced is not None:
        yield Quantity("beta_forced", "I_C / I_B; 10 is hard saturation", drive.forced, "")
    yield Quantity("V_CE", "across the transistor as it is", drive.vce, "V")
    sums = by_hand(study, drive, sure)
    if sums is not None:
        yield Quantity("V_drive", "voltage that feeds the base, above the emitter", sums.source, "V")
        yield Quantity("I_B_hand", "base current by hand, (V_drive - V_BE)/R_B - V_BE/R_BE", sums.base, "A")
        if sums.resistor_at_most is not None:
            yield Quantity(
                "R_B_max",
                f"largest base resistor for {sure:g} times the drive, its tolerance counted, by hand",
                sums.resistor_at_most,
                "ohm",
            )


def _least(drive: Drive) -> Quantity:
    gain = drive.gain
    meaning = f"least gain of {drive.stage.transistor} at this collector current"
    source = None if gain.origin == "declared" else gain.source
    return Quantity("beta_min", meaning, gain.value, "", gain.origin, gain.pointer, source)


def _currents(drive: Drive) -> Iterator[Quantity]:
    yield Quantity("I_B", "base current", drive.base, "A")
    yield Quantity("I_C", "collector current once it saturates", drive.collector, "A")
    yield Quantity("ODF", "overdrive factor, beta_min * I_B / I_C", drive.factor, "")


def _more(study: Study, found: Sequence[Drive], sure: float) -> Iterator[Proposal]:
    """Lower one base resistor until every situation has drive enough."""
    for part, ohms in stronger(study, found, sure):
        summary = f"{from_to(study, part, ohms)}: {sure:g} times the drive with its tolerance"
        yield Proposal(summary, (new_resistance(study, part, ohms),))


def _less(study: Study, found: Sequence[Drive]) -> Iterator[Proposal]:
    """Raise one base resistor as far as the drive stays ample."""
    for part in feeds(study, found)[:3]:
        now = study.value(part, "resistance")
        ohms = largest_for(study, found, part, ENOUGH, (now, now * 1e3))
        if ohms is not None and ohms > now:
            yield Proposal(
                f"{from_to(study, part, ohms)}: {ENOUGH:g} times the drive is ample",
                (new_resistance(study, part, ohms),),
            )


RULE = MinBetaDrive()
