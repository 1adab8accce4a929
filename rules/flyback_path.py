"""The current of every coil has somewhere to go when its switch opens."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from rules.analysis.coils import Opening, coil_names, is_coil, openings, stated_release, switches_at
from rules.analysis.formulas.coils import broken_through
from rules.analysis.runs import Corner, episodes, unfinished
from rules.analysis.stress import KICK, Peak, above, at_rest, collector_pair, peaks_along, stress_corner
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.flyback_words import (
    Kick,
    advice,
    broken_evidence,
    broken_message,
    diode_across,
    kick_evidence,
    kick_message,
    late_evidence,
    late_message,
)
from rules.outcomes import broken, not_applicable
from rules.wording import member_pointer
from schemas.finding import Finding, Grounds, Limit, Outcome, Proposal, Quantity, Severity, Test

if TYPE_CHECKING:
    from rules.analysis.study import Study

RATING = Limit(
    "rating",
    40.0,
    "V",
    "the lowest V_CEO of common small-signal types: 40 V for 2N3904 and 2N3906 (Multicomp) and 2N2222A"
    " (Semelab, NXP)",
    "V_CEO where none is known, and what a contact may see",
)
SHARE = Limit(
    "share",
    0.8,
    "",
    "common practice, no source (derating documents take 70 to 80 % of a rated voltage)",
    "share of V_CEO that a peak may take",
)
STRAY = Limit(
    "stray",
    150e-12,
    "F",
    "of the order of 100 to 200 pF for the winding of a small relay with its leads; from memory",
    "capacitance that the current of a broken coil charges",
)

PASSING = """\
format: thumbrule/1
name: vent-relay
ground: gnd
parts:
  V1: {kind: supply, voltage: 12 V, pins: {plus: rail, minus: gnd}}
  U1: {kind: driver, low: 0 V, high: 5 V, pins: {out: order, reference: gnd}}
  R1: {kind: resistor, resistance: 2.2 kohm, pins: {a: order, b: base}}
  Q1: {kind: npn, type: 2N2222A, pins: {collector: pulled, base: base, emitter: gnd}}
  K1: {kind: coil, resistance: 400 ohm, inductance: 0.6 H, nominal: 12 V, pins: {plus: rail, minus: pulled}}
  D1: {kind: diode, type: 1N4148, pins: {anode: pulled, cathode: rail}}
"""
FAILING = PASSING.replace("  D1: {kind: diode, type: 1N4148, pins: {anode: pulled, cathode: rail}}\n", "")


class FlybackPath:
    """Every opening of every coil in every run: is there a path, how high does the collector go, how long."""

    slug = "flyback-path"
    title = "A path for the coil current"
    protects = "the switch of a coil from the energy that the coil gives back when it opens"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(RATING, SHARE, STRAY)
    grounds = Grounds(
        rule_of_thumb="Across every coil that is switched stands a diode, its cathode at the positive end.",
        formula="without a path: V_pk = I_0*sqrt(L/C_stray), W = L*I_0^2/2;  with a diode:"
        " t = (L/R)*ln((I_0*R + V_d)/(I_rel*R + V_d))",
        symbols={
            "V_pk": "voltage to which an interrupted coil charges its stray capacitance, V",
            "W": "energy in the coil, J",
            "I_0": "coil current as the switch opens, A",
            "L": "inductance, H",
            "C_stray": "stray capacitance of winding and leads, F",
            "R": "winding resistance, ohm",
            "V_d": "voltage of the path against the current: the drop of the diode, V",
            "I_rel": "current at which the relay lets go, A",
            "t": "time from opening to release, s",
        },
        source="V_pk from L*I^2/2 = C*V^2/2 (energy of a coil and of a capacitor: OpenStax, University"
        " Physics 2); t: the same source's RL circuit with a constant voltage in it; a diode across each"
        " coil: common practice, no source",
        holds="for a switch that opens faster than the coil current can follow",
        fails="for a coil whose current is led down slowly, and for chokes so small that their energy lifts"
        " the stray capacitance by a few volts only",
    )
    lesson = Lesson(
        why="The current in a coil cannot stop at once. Give it a road, or it makes one: it charges the stray"
        " capacitance of its winding until something breaks through. The coil of a 12 V relay with 30 mA"
        " reaches more than a thousand volts, and what breaks is the collector.",
        breaks="In no resting state does that diode conduct, so it looks as if it did nothing. It also keeps"
        " the current going for a while: the relay lets go some milliseconds later, and its contact opens"
        " more slowly. A discharge diode from a timing capacitor may feed the coil as well.",
        mend="A diode across the coil, cathode at the end that is positive while it is on. Where it must let"
        " go faster, a zener in series with that diode: the higher the voltage, the shorter the time; supply"
        " and zener together then stand at the collector.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/V1/voltage", "12 V", "60 V"),
        derivation="rules.derivations.flyback_path:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per coil: path, collector peak, release."""
        names = coil_names(study.circuit)
        for part in study.circuit.parts.values():
            if part.kind == "load" and not is_coil(part):
                yield not_applicable(self, (part.name,), f"{part.name} is not said to be inductive")
        if not names:
            yield not_applicable(self, (), "there is no coil, inductor or inductive load")
            return
        corner = stress_corner(study, coils=True)
        found = openings(study, corner)
        stuck = unfinished(episodes(study, corner))
        for name in names:
            yield from self._coil(study, name, [o for o in found if o.coil == name], corner, stuck)

    def _coil(
        self, study: Study, name: str, found: Sequence[Opening], corner: Corner, stuck: Sequence[str]
    ) -> Iterator[Outcome]:
        if not found:
            if stuck:
                yield from (Outcome(self.slug, "undecided", (name,), reason) for reason in stuck)
            else:
                yield not_applicable(self, (name,), f"the current of {name} is never opened")
            return
        kicks = tuple(self._kicks(study, name, corner))
        paths = [o for o in self._broken(study, name, found, corner) if o.kind != "satisfied" or not kicks]
        made = [*paths, *kicks, *self._late(study, name, found, corner)]
        yield from made
        if stuck and all(outcome.kind == "satisfied" for outcome in made):
            yield from (Outcome(self.slug, "undecided", (name,), reason) for reason in stuck)

    def _broken(self, study: Study, name: str, found: Sequence[Opening], corner: Corner) -> Iterator[Outcome]:
        """Openings without a path; one outcome for the largest current of each."""
        broken = [opening for opening in found if not opening.path]
        label = corner.label(study)
        if not broken:
            worst = max(found, key=lambda o: abs(o.current))
            state = worst.episode.timeline.last.name
            yield Outcome(self.slug, "satisfied", (name,), "", state, label, Test.at_most(0.0, 0.0, "A"))
            return
        worst = max(broken, key=lambda o: (abs(o.current), o.episode.what))
        stands = self._stands(study, name)
        henry = study.known(name, "inductance")
        state = worst.episode.timeline.last.name
        peak = None
        test = Test.at_most(abs(worst.current), 0.0, "A")
        if henry is not None:
            peak = broken_through(abs(worst.current), henry.value, self.limits["stray"].value)
            test = Test.at_most(peak, self.limits["share"].value * stands.value, "V")
            if test.holds:
                yield Outcome(self.slug, "satisfied", (name,), "", state, label, test)
                return
        signs = {math.copysign(1.0, opening.current) for opening in broken}
        fits = study.proposing and len(signs) == 1
        yield self._violated(
            study,
            (name,),
            "error",
            broken_message(study, worst, peak, stands),
            broken_evidence(study, worst, peak, stands, self.limits["stray"]),
            test,
            "path",
            (state, label),
            (diode_across(study, worst),) if fits else (),
            advice(study, worst, len(signs) == 1),
        )

    def _stands(self, study: Study, name: str) -> Quantity:
        """The least V_CEO of the transistors at the coil."""
        known = [
            (k.value, q, k) for q in switches_at(study, name) if (k := study.known(q, "vceo")) is not None
        ]
        if not known:
            limit = self.limits["rating"]
            return Quantity("V_CEO", limit.meaning, limit.value, "V", "assumed", None, limit.source)
        value, transistor, rated = min(known)
        source = None if rated.origin == "declared" else rated.source
        return Quantity("V_CEO", f"rating of {transistor}", value, "V", rated.origin, rated.pointer, source)

    def _kicks(self, study: Study, name: str, corner: Corner) -> Iterator[Outcome]:
        """Collector peaks above every resting state."""
        for transistor in switches_at(study, name):
            rated = study.known(transistor, "vceo")
            peak = self._kick(study, transistor, corner)
            if rated is None or peak is None:
                continue
            kick = Kick(name, transistor, peak, rated)
            for severity, limit in (
                ("error", rated.value),
                ("warning", self.limits["share"].value * rated.value),
            ):
                test = Test.at_most(peak.value, limit, "V")
                if not test.holds:
                    grade: Severity = "error" if severity == "error" else "warning"
                    yield self._violated(
                        study,
                        (name, transistor),
                        grade,
                        kick_message(kick, limit),
                        kick_evidence(kick),
                        test,
                        "collector peak",
                        (peak.state, peak.corner),
                    )
                    break
            else:
                yield Outcome(self.slug, "satisfied", (name,), "", peak.state, peak.corner, test)

    def _kick(self, study: Study, transistor: str, corner: Corner) -> Peak | None:
        pair = collector_pair(study.circuit.parts[transistor])
        resting = at_rest(study, pair, lambda _, __: False)
        peak = above(resting, peaks_along(study, corner).get(pair), KICK)
        return None if peak is None or peak.at is None else peak

    def _late(self, study: Study, name: str, found: Sequence[Opening], corner: Corner) -> Iterator[Outcome]:
        """Release against a re-arm requirement of the stimulus that opens the coil."""
        for opening in found:
            wanted = stated_release(study.circuit, opening.episode.stimulus)
            if not opening.path or wanted is None or study.known(name, "inductance") is None:
                continue
            test = Test.at_most(opening.released, wanted.high, "s")
            place = (opening.episode.timeline.last.name, corner.label(study))
            if test.holds:
                yield Outcome(self.slug, "satisfied", (name,), "", *place, test)
                continue
            yield self._violated(
                study,
                (name,),
                "warning",
                late_message(opening, wanted),
                late_evidence(study, opening, wanted),
                test,
                "release",
                place,
            )

    def _violated(
        self,
        study: Study,
        parts: tuple[str, ...],
        severity: Severity,
        message: str,
        evidence: Iterable[Quantity],
        test: Test,
        role: str,
        place: tuple[str, str],
        proposals: tuple[Proposal, ...] = (),
        told: Iterable[str] = (),
    ) -> Outcome:
        state, corner = place
        finding = Finding(
            rule=self.slug,
            severity=severity,
            parts=tuple(sorted(parts)),
            nets=(),
            pointers=tuple(member_pointer(name, "pins") for name in sorted(parts)),
            state=state,
            corner=corner,
            message=message,
            evidence=tuple(evidence),
            test=test,
            grounds=self.grounds,
            role=role,
            advice=tuple(told),
        )
        return broken(finding, parts[:1], proposals)


RULE = FlybackPath()
