"""No diode carries more current or stands more reverse voltage than it is made for."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.coils import coil_names
from rules.analysis.formulas.ratings import allowed
from rules.analysis.loads import Load, heaviest, loads
from rules.analysis.stress import HAIR, Peak, along, at_rest, moves, stress_corner, unfinished_runs
from rules.analysis.surges import after, surges
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.diode_words import message, other_type
from rules.outcomes import not_applicable, of_each
from rules.ratings_words import (
    BRIEF,
    HIGHEST_JUNCTION,
    SHORT,
    Mark,
    Place,
    Rated,
    Verdict,
    careful_power,
    graded,
    marks,
    power_at,
    rating,
    told,
)
from rules.wording import celsius, say
from schemas.finding import Grounds, Limit, Outcome, Proposal, Quantity

if TYPE_CHECKING:
    from rules.analysis.study import Study
    from schemas.circuit import Part

CURRENT_SHARE = Limit(
    "current_share",
    0.8,
    "",
    "derating documents take 50 to 100 % of I_F (NAVSEA SD-18, table 1A; System Reliability Center)",
    "share of the rated forward current that is in use at most",
)
REVERSE_SHARE = Limit(
    "reverse_share",
    0.8,
    "",
    "Part Derating Parameters, System Reliability Center: general-purpose diode 80 % benign, 70 % severe",
    "share of the rated reverse voltage that is in use at most",
)
POWER_SHARE = Limit(
    "power_share",
    0.5,
    "",
    "derating documents take 50 % of the power of a diode (ECSS-Q-ST-30-11C); from memory",
    "share of the power at the highest ambient temperature that is in use at most",
)
CURRENT = Limit(
    "current",
    0.15,
    "A",
    "1N4148, the usual small diode: 150 mA on average (Panjit 1N4148 Rev 0.2)",
    "rated forward current of a diode whose document and type state none",
)
SURGE = Limit(
    "surge",
    0.5,
    "A",
    "1N4148, the usual small diode: 0.5 A under 1 s (Panjit 1N4148 Rev 0.2)",
    "surge current of a diode whose document and type state none",
)
REVERSE = Limit(
    "reverse",
    50.0,
    "V",
    "1N4001, the lowest of the usual diodes: 50 V (Diodes Inc DS28002 Rev E-2)",
    "rated reverse voltage of a diode whose document and type state none",
)
CLAMP = Limit(
    "clamp",
    2.0,
    "",
    "a diode across a coil is rated for twice the supply; from memory",
    "multiple of its reverse voltage that a diode across a coil is rated for",
)

PASSING = """\
format: thumbrule/1
name: sluice-relay
ground: gnd
parts:
  V1: {kind: supply, voltage: 12 V, pins: {plus: rail, minus: gnd}}
  U1: {kind: driver, low: 0 V, high: 5 V, pins: {out: order, reference: gnd}}
  R1: {kind: resistor, resistance: 470 ohm, pins: {a: order, b: base}}
  Q1: {kind: npn, type: 2N2222A, pins: {collector: pulled, base: base, emitter: gnd}}
  K1: {kind: coil, resistance: 150 ohm, inductance: 0.2 H, nominal: 12 V, pins: {plus: rail, minus: pulled}}
  D1: {kind: diode, type: 1N4148, pins: {anode: pulled, cathode: rail}}
"""
FAILING = PASSING.replace("150 ohm", "60 ohm")


class DiodeRatings:
    """Forward current, reverse voltage and heat of every diode, at rest and along every run."""

    slug = "diode-ratings"
    title = "What a diode stands"
    protects = "a diode from too much current and from breakdown"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(
        CURRENT_SHARE,
        REVERSE_SHARE,
        POWER_SHARE,
        CURRENT,
        SURGE,
        REVERSE,
        CLAMP,
        HIGHEST_JUNCTION,
        BRIEF,
        SHORT,
    )
    grounds = Grounds(
        rule_of_thumb="A diode keeps a fifth of its current and of its reverse voltage in hand; across a coil"
        " it carries the coil current and is rated for twice the supply.",
        formula="I_F <= 0.8*I_F,r;  V_R <= 0.8*V_RRM;  P = V_F*I_F <= 0.5*P_25*(T_jmax - T_A)/(T_jmax - 25"
        " degC);  across a coil: I_F = I_coil, V_RRM >= 2*V_S",
        symbols={
            "I_F": "forward current, A",
            "I_F,r": "rated average forward current, A",
            "V_R": "reverse voltage, V",
            "V_RRM": "rated reverse voltage, V",
            "P": "heat in the diode, W",
            "V_F": "forward drop, V",
            "P_25": "rated power at 25 degC, W",
            "T_jmax": "greatest junction temperature, K",
            "T_A": "highest ambient temperature, K",
            "I_coil": "coil current as the switch opens, A",
            "V_S": "supply voltage, V",
        },
        source=f"ratings from the sheets of the types; {REVERSE_SHARE.source}; half of the power and twice"
        " the supply: from memory",
        holds="at rest at the worst of all tolerances; along each run at the highest supply voltage",
        fails="for the reverse leakage of a diode in a timing node, which doubles every ten kelvin, and for"
        " repeated surges, which warm the diode like a load",
    )
    lesson = Lesson(
        why="A small signal diode is a fine clamp for the coil of a small relay, and it blocks whatever a"
        " battery can bring. At the coil of a big solenoid or in a lamp lead it is a fuse, and not a good"
        " one: it fails short.",
        breaks="Average and surge are two ratings: what a rectifier stands for one half-wave it does not"
        " stand for a second. And a diode for a large current leaks more in reverse, which shows where it"
        " hangs on a timing capacitor.",
        mend="Take a rectifier instead of a signal diode; where it keeps a charge, look at its leakage too.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/K1/resistance", "150 ohm", "60 ohm"),
        derivation="rules.derivations.diode_ratings:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per diode: current at rest and for a moment, reverse voltage, heat."""
        for part in study.circuit.parts.values():
            if part.kind in ("led", "zener"):
                judge = "led-current" if part.kind == "led" else "zener-bias"
                yield not_applicable(self, (part.name,), f"{judge} judges what {part.name} carries")
        yield from of_each(self, study, ("diode",), "diode", self._diode)

    def _diode(self, study: Study, part: Part) -> Iterator[Outcome]:
        clamped = clamped_coil(study, part)
        verdicts = [*self._currents(study, part, clamped), *self._reverse(study, part, clamped)]
        if not verdicts:
            yield not_applicable(self, (part.name,), f"no state determines what {part.name} bears")
        worst = max(verdicts, key=lambda verdict: verdict.gravity, default=None)
        bears = {verdict.role: verdict.value for verdict in verdicts}
        for verdict in verdicts:
            if verdict.mark is None:
                yield told(self, part.name, verdict)
                continue
            made: tuple[Proposal, ...] = ()
            if verdict is worst and study.proposing:
                shares = {name: limit.value for name, limit in self.limits.items()}
                made = tuple(other_type(part, bears, shares, clamped))
            yield told(self, part.name, verdict, message(part.name, verdict, clamped), proposals=made)
        if worst is not None and worst.mark is None and moves(study):
            for reason in unfinished_runs(study):
                yield Outcome(self.slug, "undecided", (part.name,), reason)

    def _currents(self, study: Study, part: Part, clamped: str) -> Iterator[Verdict]:
        name, brief = part.name, self.limits["brief"].value
        rated = rating(study, name, "current", "I_F,r", self.limits["current"])
        surge = rating(study, name, "surge", "I_FSM", self.limits["surge"])
        assert rated is not None
        assert surge is not None
        limits = marks(rated, self.limits["current_share"].value, "A", "rated forward current")
        for_a_moment = marks(surge, 1.0, "A", "rated surge current")[:1]
        careful = limits[-1].value
        found = loads(study, lambda s: s.currents[name]["anode"], lambda amperes: 2.0 * amperes > careful)
        lasting = heaviest(found, True, brief)
        if lasting is not None:
            yield _verdict(lasting.value, Place.of(lasting), "forward current", limits, "A", (rated,))
            yield from self._heat(study, part, lasting)
        pulse = heaviest(found, False, brief)
        if pulse is not None:
            yield _verdict(pulse.value, Place.of(pulse), "surge", for_a_moment, "A", (surge,))
        corner = stress_corner(study, coils=True)
        peak = surges(study, corner).get(name)
        if peak is not None and clamped:
            # the rule of thumb for a clamp: the whole coil current within the average rating
            yield _verdict(peak.value, Place.of(peak), "forward current", limits, "A", (rated,))
        elif peak is not None:
            still = after(study, peak, name, self.limits["short"].value)
            yield _verdict(still, Place.of(peak), "surge", for_a_moment, "A", (surge,))

    def _heat(self, study: Study, part: Part, load: Load) -> Iterator[Verdict]:
        """Its heat at rest against its power, where one is known."""
        power = rating(study, part.name, "power", "P_25", None)
        watts = load.situation.state.power[part.name]
        if power is None or watts is None:
            return
        most = rating(study, part.name, "junction", "T_jmax", self.limits["highest_junction"])
        assert most is not None
        ambient = study.resolved.ambient.high
        whole = power_at(power, most, ambient)
        limits = (
            Mark("error", whole, f"it stands {say(whole, 'W')} at {celsius(ambient)}"),
            careful_power(whole, self.limits["power_share"].value, ambient),
        )
        yield _verdict(max(0.0, watts), Place.of(load), "heat", limits, "W", (power, most))

    def _reverse(self, study: Study, part: Part, clamped: str) -> Iterator[Verdict]:
        rated = rating(study, part.name, "reverse", "V_RRM", self.limits["reverse"])
        assert rated is not None
        share = self.limits["reverse_share"].value
        if clamped:
            share = min(share, 1.0 / self.limits["clamp"].value)
        limits = marks(rated, share, "V", "rated reverse voltage")
        careful = allowed(rated.value, share)
        pair = part.pins["cathode"], part.pins["anode"]
        if pair[0] == pair[1]:
            return
        resting = at_rest(study, pair, lambda _, volts: volts > 0.5 * careful)
        moving = along(study, pair, (careful, rated.value))
        found: list[Peak] = [peak for peak in (resting, moving) if peak is not None]
        if not found:
            return
        # of equal ones the resting state is told
        peak = max(found, key=lambda each: each.value - (HAIR if each.at is not None else 0.0))
        yield _verdict(peak.value, Place.of(peak), "reverse voltage", limits, "V", (rated,))


def clamped_coil(study: Study, part: Part) -> str:
    """The coil that a diode lies across, empty where it lies across none."""
    ends = set(part.pins.values())
    return next(
        (name for name in coil_names(study.circuit) if set(study.circuit.parts[name].pins.values()) == ends),
        "",
    )


_SYMBOLS = {
    "forward current": ("I_F", "forward current"),
    "surge": ("I_F", "forward current for a moment"),
    "heat": ("P", "heat in it"),
    "reverse voltage": ("V_R", "reverse voltage"),
}


def _verdict(
    value: float, place: Place, role: str, limits: tuple[Mark, ...], unit: str, rated: tuple[Rated, ...]
) -> Verdict:
    value = max(0.0, value)
    mark, test = graded(value, limits, unit)
    symbol, meaning = _SYMBOLS[role]
    proof = (Quantity(symbol, meaning, value, unit), *(item.quantity for item in rated))
    return Verdict(value, place, role, mark, test, proof)


RULE = DiodeRatings()
