"""What reversed-part has to say: messages, evidence, and what an exchange of ends would do."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

from rules.moments import moment
from rules.wording import listed, part_quantity, say, with_position
from schemas.finding import Origin, Quantity

if TYPE_CHECKING:
    from rules.analysis.backwards import Against, Idle
    from rules.analysis.states import State
    from rules.analysis.stress import Peak
    from rules.analysis.study import Study


def against_message(
    study: Study, case: Against, least: float, was: tuple[str, ...], now: tuple[str, ...]
) -> str:
    """A transistor against its arrow; ``was`` and ``now`` are the resting states as drawn and exchanged."""
    where = with_position(case.state.name, case.state.mode.network.configuration)
    return (
        f'{case.transistor} carries {say(case.amps, "A")} against its arrow in "{where}" and nothing along it'
        f" in any state; limit {say(least, 'A')}. With collector and emitter exchanged the circuit rests in"
        f" {_quoted(now)}{_intended(study, was, now)}."
    )


def against_summary(name: str, was: tuple[str, ...], now: tuple[str, ...]) -> str:
    rests = f"the circuit then rests in {_quoted(now)} instead of {_quoted(was)}"
    return f"collector and emitter of {name} exchanged: {rests}"


def against_evidence(study: Study, case: Against) -> Iterator[Quantity]:
    name, state = case.transistor, case.state
    yield Quantity("I_E", f"emitter current of {name} against its arrow", case.amps, "A")
    yield Quantity("I_B", "base current there", case.base, "A")
    if case.base > 0.0:
        yield Quantity("I_E/I_B", "what is left of the gain", case.amps / case.base, "")
    pins = study.circuit.parts[name].pins
    upper, lower = state.nets[pins["collector"]], state.nets[pins["emitter"]]
    if upper is not None and lower is not None:
        yield Quantity("V_CE", "collector against emitter", upper - lower, "V")


def idle_message(case: Idle, least: float) -> str:
    """A diode that never conducts."""
    looked = f", and in none of {case.runs} runs" if case.runs else ""
    return (
        f"{case.diode} conducts in none of {case.states} states{looked}, so {case.partner} in series with it"
        f" carries nothing either: 0 A, limit at least {say(least, 'A')} somewhere. Turned round it carries"
        f' {say(case.amps, "A")} in "{case.state}".'
    )


def idle_evidence(case: Idle) -> Iterator[Quantity]:
    yield Quantity("I", f"largest current through {case.diode} in any state", 0.0, "A")
    yield Quantity("I_turned", "the same with its ends exchanged", case.amps, "A")


def zener_message(name: str, state: State, volts: float, wanted: float) -> str:
    return (
        f'{name} conducts like a plain diode in "{state.name}" and breaks down in no state: it holds'
        f" {say(volts, 'V')}, limit at least its {say(wanted, 'V')}. Turned round it breaks down."
    )


def zener_evidence(study: Study, name: str, volts: float) -> Iterator[Quantity]:
    yield Quantity("V", f"what {name} holds", volts, "V")
    known = part_quantity(study, name, "zener", "V_Z", "breakdown voltage")
    if known is not None:
        yield known


def led_message(name: str, peak: Peak, limit: float, is_rated: bool) -> str:
    """An LED reversed beyond what it stands, or beyond what is known from memory."""
    memory = "" if is_rated else " (from memory: it states none)"
    return f"{name} is reversed by {say(peak.value, 'V')} {moment(peak)}; limit {say(limit, 'V')}{memory}."


def led_evidence(name: str, peak: Peak, limit: float, source: str) -> tuple[Quantity, ...]:
    """``source`` is that of a limit from memory, empty for a rating."""
    origin: Origin = "assumed" if source else "declared"
    meaning = f"what {name} stands backwards"
    return (
        Quantity("V_KA", f"reverse voltage of {name}", peak.value, "V"),
        Quantity("V_max", meaning, limit, "V", origin, None, source or None),
    )


def _quoted(names: Iterable[str]) -> str:
    return listed([f'"{name}"' for name in names] or ["no state"])


def _intended(study: Study, was: tuple[str, ...], now: tuple[str, ...]) -> str:
    """Which of the named states appear with the ends exchanged."""
    found = [name for name in study.circuit.states if name in now and name not in was]
    if not found:
        return ""
    verb = "appears" if len(found) == 1 else "appear"
    return f": {_quoted(found)}, which the document names, {verb}"
