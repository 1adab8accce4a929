"""What the rule trigger has to say: messages, evidence, and the resistors and capacitors that mend it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rules.analysis.preferred import round_down, round_up
from rules.analysis.trigger_drive import Amplitude, own_resistors
from rules.analysis.trigger_width import Held
from rules.analysis.triggers import Trigger
from rules.wording import from_to, listed, member_pointer, new_resistance, part_quantity, say, times
from schemas.finding import Change, Proposal, Quantity
from schemas.quantities import document_text

if TYPE_CHECKING:
    from rules.analysis.study import Study

BOUNCE = 10e-3  # s; contacts bounce for 1 to 10 ms; common practice, no source
MARGIN = 0.9  # of what would just do


def _whose(trigger: Trigger) -> str:
    return f'"{trigger.stimulus}" ({trigger.part})' if trigger.stimulus is not None else trigger.part


def _into(trigger: Trigger) -> str:
    return f'from "{trigger.before.name}" to "{trigger.after.name}"'


def amplitude_message(trigger: Trigger, found: Amplitude, place: str, wanted: float) -> str:
    """How strong it is, against what it takes."""
    never = "; at this corner it never switches over" if found.factor < 1.0 else ""
    if found.resistance > 0.0:
        drive = (
            f"brings {say(found.available, 'A')} where {say(found.fold, 'A')} are needed to go"
            f" {_into(trigger)}: {times(found.factor)} times"
        )
    else:
        drive = f"is {times(found.factor)} times as strong as it takes to go {_into(trigger)}"
    return f"{_whose(trigger)} {drive}, limit {times(wanted)} times ({place}){never}."


def amplitude_evidence(study: Study, trigger: Trigger, found: Amplitude) -> Iterator[Quantity]:
    yield Quantity("I_trig/I_fold", "drive over the least that switches over", found.factor, "")
    if found.resistance > 0.0:
        yield Quantity("I_fold", "current at which the state of rest is lost", found.fold, "A")
        yield Quantity("I_trig", "current the trigger would bring there", found.available, "A")
        yield Quantity("R_trig", f"resistance in series with {trigger.part} alone", found.resistance, "ohm")
    yield Quantity("V_left", "voltage of the trigger that is not needed", found.left, "V")
    for name in own_resistors(study, trigger.part):
        known = part_quantity(study, name, "resistance", name, "resistor of the trigger")
        if known is not None:
            yield known


def stronger(study: Study, trigger: Trigger, found: Amplitude, wanted: float) -> tuple[Proposal, ...]:
    """A smaller resistor in series with the trigger."""
    names = own_resistors(study, trigger.part)
    if not names or found.resistance <= 0.0 or found.available <= 0.0:
        return ()
    # the current goes with one over the resistance: as much smaller as the drive is short of the limit
    target = MARGIN * found.resistance * found.factor / wanted
    ohms = study.value(names[0], "resistance") - (found.resistance - target)
    if ohms <= 0.0:
        return ()
    smaller = round_down(ohms, study.preferences.resistor, 0.05)
    summary = (
        f"{from_to(study, names[0], smaller)}: {_whose(trigger)} brings {times(wanted)} times what it takes"
    )
    return (Proposal(summary, (new_resistance(study, names[0], smaller),)),)


def amplitude_advice(study: Study, trigger: Trigger, found: Amplitude) -> Iterator[str]:
    if found.resistance > 0.0 and found.factor < 1.0:
        yield "larger bleeds at the base it acts on need less current too, and let more leakage through"


def width_message(trigger: Trigger, least: float, wanted: float) -> str:
    """How long it lasts, against how long it must."""
    lost = " Let go at that moment, the circuit falls back." if trigger.hold < least else ""
    return (
        f"{_whose(trigger)} lasts {say(trigger.hold, 's')}; it takes {say(least, 's')} until the circuit goes"
        f" {_into(trigger)} by itself, limit {times(wanted)} times that, {say(wanted * least, 's')}.{lost}"
    )


def width_evidence(study: Study, trigger: Trigger, least: float) -> Iterator[Quantity]:
    yield Quantity("t_w", "time the trigger lasts", trigger.hold, "s", "declared", _pointer(trigger))
    yield Quantity("t_w,min", "least time after which letting go leads to the new state", least, "s")
    for name in _filters(study, trigger):
        known = part_quantity(study, name, "capacitance", name, "capacitor at a base")
        if known is not None:
            yield known


def _pointer(trigger: Trigger) -> str | None:
    return None if trigger.stimulus is None else f"/stimuli/{trigger.stimulus}"


def _filters(study: Study, trigger: Trigger) -> list[str]:
    """Capacitors at a base that have to move before it switches over, the largest first."""
    bases = {part.pins["base"] for part in study.roles.transistors}
    found = [
        part.name
        for part in study.circuit.parts.values()
        if part.kind == "capacitor" and part.name not in trigger.held and bases & set(part.pins.values())
    ]
    return sorted(found, key=lambda name: (-study.value(name, "capacitance"), name))


def quicker(study: Study, trigger: Trigger, least: float, wanted: float) -> tuple[Proposal, ...]:
    """A smaller filter capacitor."""
    made = []
    for name in _filters(study, trigger)[:2]:
        now = study.value(name, "capacitance")
        farads = round_down(MARGIN * now * trigger.hold / (wanted * least), study.series(name), 0.1)
        if farads >= now:
            continue
        summary = f"{name} {say(now, 'F')} to {say(farads, 'F')}: the circuit goes over that much sooner"
        change = Change(member_pointer(name, "capacitance"), now, document_text(farads, "capacitance"))
        made.append(Proposal(summary, (change,)))
    return tuple(made)


def held_message(trigger: Trigger, held: Held) -> str:
    """What becomes of the timed state when the stimulus stays."""
    start = f"While {_whose(trigger)} stays,"
    if held.end == "repeats":
        return f'{start} "{trigger.after.name}" comes again and again: it ends, and is set off anew.'
    if held.end == "goes on":
        return f'{start} "{trigger.after.name}" goes on: it ends only after the stimulus has gone.'
    where = f' in "{held.state.name}"' if held.state is not None else ""
    return (
        f'{start} the circuit waits{where}, and "{trigger.after.name}" begins, or it ends elsewhere, only'
        " when the stimulus goes: the other way round."
    )


def held_evidence(trigger: Trigger) -> Iterator[Quantity]:
    yield Quantity("t", f'time in "{trigger.after.name}" after a stimulus that goes', trigger.lasts, "s")


def coupled(study: Study, trigger: Trigger) -> Iterator[str]:
    """A capacitor in series lets the first moment through and no more."""
    names = own_resistors(study, trigger.part)
    if not names:
        return
    ohms = sum(study.value(name, "resistance") for name in names)
    farads = round_up(BOUNCE / ohms, study.preferences.electrolytic, 0.1)
    yield (
        f"where it may stay, couple it by a capacitor: {say(farads, 'F')} in series with {listed(names)}"
        f" passes the first {say(BOUNCE, 's')}; a resistor of some ten times {say(ohms, 'ohm')} has to empty"
        " it again"
    )


@dataclass(frozen=True, slots=True)
class Hot:
    """A part that takes more while a trigger stays than before and after: watts, its rating, the limit."""

    part: str
    watts: float
    rated: float
    limit: float


def parked(study: Study, trigger: Trigger, held: Held, share: float) -> Hot | None:
    """The part nearest to its rated power in the state that a stimulus that stays leads to."""
    if held.state is None:
        return None
    found = []
    for name, watts in held.state.power.items():
        rated = study.known(name, "power")
        if watts is None or rated is None or rated.value <= 0.0 or watts <= share * rated.value:
            continue
        usual = max(abs(trigger.before.power[name] or 0.0), abs(trigger.after.power[name] or 0.0))
        if watts > 1.1 * usual:
            found.append(Hot(name, watts, rated.value, share * rated.value))
    return max(found, key=lambda hot: (hot.watts / hot.rated, hot.part), default=None)


def parked_message(trigger: Trigger, hot: Hot) -> str:
    return (
        f"While {_whose(trigger)} stays, {hot.part} takes {say(hot.watts, 'W')}, limit {say(hot.limit, 'W')},"
        f" half of the {say(hot.rated, 'W')} it is rated for."
    )


def parked_evidence(hot: Hot) -> Iterator[Quantity]:
    yield Quantity("P", f"power of {hot.part} while the stimulus stays", hot.watts, "W")
    yield Quantity("P_rated", f"rating of {hot.part}", hot.rated, "W")
