"""What power-up has to say: messages, evidence, and the capacitors and resistors that mend it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from rules.analysis.additions import Fitting, new_part
from rules.analysis.preferred import round_up
from rules.analysis.startup import comes_up, conducting
from rules.analysis.states import collector_currents
from rules.wording import from_to, listed, new_resistance, say
from schemas.finding import Proposal, Quantity

if TYPE_CHECKING:
    from rules.analysis.delays import Delay
    from rules.analysis.startup import Safe
    from rules.analysis.states import State
    from rules.analysis.study import Study
    from rules.analysis.timeline.model import Timeline

TRIED = (100e-9, 1e-6)  # F from base to emitter
FORCED = 10.0  # I_C/I_B that leaves a saturated loop its gain: above 6.6, which eigenvalues show; own sum


def wrong(end: str, safe: State, slowly: bool) -> str:
    """It ends in the wrong state."""
    if slowly:
        return (
            f'A supply that rises slowly brings the circuit up in another state than a quick one: "{end}"'
            f' after a step, as it should be ("{safe.name}"), but not after a ramp that capacitors follow.'
        )
    return f'As the supply comes on, all capacitors empty, the circuit ends in "{end}", not in "{safe.name}".'


def by_chance(states: Sequence[State], safe: Safe | None) -> str:
    """Nothing decides between several states."""
    names = listed([f'"{state.name}"' for state in states], "or")
    wanted = f'; "{safe.state.name}" is the one that is wanted' if safe is not None and safe.declared else ""
    return (
        f"As the supply comes on nothing decides between {names}: small differences between the parts do"
        f"{wanted}."
    )


def keeps_running(timeline: Timeline, stable: Sequence[State]) -> str:
    period = f" every {say(timeline.period, 's')}" if timeline.period is not None else ""
    return (
        f"As the supply comes on the circuit never comes to rest: it repeats itself{period}, although"
        f' "{stable[0].name}" would be a place to rest.'
    )


def running(timeline: Timeline) -> Iterator[Quantity]:
    if timeline.period is not None:
        yield Quantity("T", "period of the run from switch-on", timeline.period, "s")


def delayed(delay: Delay, seconds: float, limit: float) -> str:
    return (
        f'As the supply comes on "{delay.timed.name}" runs for {say(seconds, "s")} although nobody asked for'
        f" it; limit {say(limit, 's')}."
    )


def timed_evidence(study: Study, delay: Delay, seconds: float) -> Iterator[Quantity]:
    yield Quantity("t_on", f'time in "{delay.timed.name}" after switch-on', seconds, "s")
    yield Quantity("t", "the same after its stimulus", delay.duration, "s")


def rest_evidence(study: Study, corner: str) -> Iterator[Quantity]:
    """How many places to rest there are."""
    stable = study.state_sets(corner)[0].stable
    yield Quantity("N", "stable states at rest", float(len(stable)), "")


def hangs(study: Study, state: State, parts: Sequence[str], runs: bool) -> str:
    """An oscillator with a place to rest."""
    gains = listed([f"{say(_forced(state, name), '')} at {name}" for name in parts])
    end = (
        "After a sudden switch-on it runs, after a slow one it may stay there."
        if runs
        else "It stays there after switch-on."
    )
    return f'The oscillator can rest in "{state.name}", where I_C/I_B is {gains}: no loop gain is left. {end}'


def _forced(state: State, transistor: str) -> float:
    """I_C/I_B of a transistor in a state."""
    collector = collector_currents(state.mode.network, state.mode.betas, state.mode.solution)[transistor]
    base = state.currents[transistor]["base"]
    return 0.0 if not base else abs(collector / base)


def hangs_evidence(
    study: Study, state: State, parts: Sequence[str], timeline: Timeline
) -> Iterator[Quantity]:
    for name in parts:
        yield Quantity(f"(I_C/I_B)_{name}", f"forced gain of {name} in that state", _forced(state, name), "")
    yield from running(timeline)


def quieter(study: Study, parts: Sequence[str], safe: State) -> tuple[Proposal, ...]:
    """A capacitor from base to emitter of each transistor that must stay off: the least size that does."""
    made = []
    circuit, wanted = study.circuit, conducting(study, safe.devices)
    for name in parts:
        pins = circuit.parts[name].pins
        if name in wanted or pins["base"] == pins["emitter"]:
            continue
        ends = {"a": pins["base"], "b": pins["emitter"]}
        for farads in TRIED:
            fitted = new_part(circuit, "C", "capacitor", ends, capacitance=farads, dielectric="film")
            fitting = Fitting((fitted,))
            if comes_up(study, fitting.applied(circuit)) == wanted:
                summary = (
                    f"{fitted.name} {say(farads, 'F')} from the base of {name} to its emitter: it stays off"
                    " while the supply comes on"
                )
                made.append(Proposal(summary, fitting.changes(circuit)))
                break
    return tuple(made)


def raised(study: Study, state: State, parts: Sequence[str]) -> tuple[Proposal, ...]:
    """Base resistors that leave the saturated transistors their gain."""
    changes, told = [], []
    for name in parts:
        feeds = study.roles.stages[name].feeds
        here = _forced(state, name)
        if len(feeds) != 1 or not 0.0 < here < FORCED:
            continue
        part = feeds[0].part
        ohms = round_up(study.value(part, "resistance") * FORCED / here, study.preferences.resistor, 0.05)
        changes.append(new_resistance(study, part, ohms))
        told.append(from_to(study, part, ohms))
    if not changes:
        return ()
    return (Proposal(f"{listed(told)}: I_C/I_B of {FORCED:g} leaves the loop its gain", tuple(changes)),)
