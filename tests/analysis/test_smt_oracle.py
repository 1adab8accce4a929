"""The states of the engine are those of an SMT solver, no more and no fewer, on random circuits."""

from __future__ import annotations

from collections import Counter
from fractions import Fraction

import pytest

from rules.analysis.configurations import configurations
from rules.analysis.elements import Configuration
from rules.analysis.resolve import resolve
from rules.analysis.states import State, StateSet, find_states
from schemas.circuit import Circuit
from tests import builders as b
from tests.analysis.smt_oracle import all_states
from tests.benchmarks.circuits import latch, latches
from tests.random_circuits import regenerative, soup

CHUNKS, OF_EACH = 10, 70
VOLT, RELATIVE = 1e-6, 1e-6


def openness(oracle: list[dict]) -> str:
    """What the regions of some state leave open: ``currents``, only ``voltages``, or ``nothing``."""
    if any(None in state["currents"].values() for state in oracle):
        return "currents"
    return "voltages" if any(None in state["nets"].values() for state in oracle) else "nothing"


def same_numbers(own: State, other: dict) -> bool:
    """Equal voltages and currents wherever the oracle has a number; ``None`` just where it has none."""
    size = max((abs(float(value)) for value in other["currents"].values() if value is not None), default=0.0)
    pairs = [(own.nets[net], value, VOLT) for net, value in other["nets"].items()]
    pairs += [(own.currents[name][pin], value, 1e-12 + RELATIVE * size)
              for (name, pin), value in other["currents"].items()]
    return all(mine is value if mine is None or value is None else abs(mine - value) <= least
               for mine, value, least in pairs)


def differences(found: StateSet, oracle: list[dict]) -> list[str]:
    """How two sets of states differ."""
    own = {tuple(sorted(state.devices.items())): state for state in found.states}
    other = {tuple(sorted(state["devices"].items())): state for state in oracle}
    said = [f"only the engine has {regions}" for regions in own if regions not in other]
    if len(own) != len(found.states):
        said.append("two states in the same regions")
    if bool(own) != bool(other):
        said.append(f"the engine has {len(own)} states ({found.reason}), the oracle {len(other)}")
    if openness(oracle) == "currents":
        # Parallel junctions: a continuum through several regions.  The engine takes the one state in which
        # equal junctions share; the oracle lists every region.
        return said
    said += [f"only the oracle has {regions}" for regions in other if regions not in own]
    said += [f"other numbers in {regions}" for regions in own.keys() & other.keys()
             if not same_numbers(own[regions], other[regions])]
    return said


def circuits(chunk: int) -> list[Circuit]:
    seeds = range(chunk * OF_EACH // 2, (chunk + 1) * OF_EACH // 2)
    return [made for seed in seeds
            for made in (regenerative(100_000 + seed), soup(100_000 + seed, (1, 2, 2, 3, 3, 4)))]


@pytest.mark.parametrize("chunk", range(CHUNKS))
def test_same_states_as_the_oracle(chunk: int) -> None:
    wrong: list[str] = []
    seen: Counter[str] = Counter()
    for circuit in circuits(chunk):
        rest = configurations(circuit)[0][0]
        oracle = all_states(circuit, rest)
        found = find_states(resolve(circuit), rest)
        wrong += [f"{circuit.name}: {text}" for text in differences(found, oracle)]
        if not oracle:
            seen["no state"] += 1
            assert found.faults, circuit.name
            continue
        seen[f"open: {openness(oracle)}"] += 1
        seen["several states"] += len(oracle) > 1 and openness(oracle) == "nothing"
    assert not wrong, "\n".join(wrong[:10])
    assert seen["open: nothing"] >= 50, seen  # at least 500 of all chunks together
    assert seen["several states"] >= 6, seen


def test_the_latch_has_off_on_and_one_between() -> None:
    """Exact numbers of the middle state of a PNP/NPN latch (own calculation by hand)."""
    off, middle, on = sorted(all_states(latch()), key=lambda state: state["nets"]["out"])
    assert set(off["devices"].values()) == {"off"}
    assert set(middle["devices"].values()) == {"active"}
    assert set(on["devices"].values()) == {"saturated"}
    # I_B (b1 b2 - 1 - R3/RL) = b2 V/RB2 + V/RL + (1 + R3/RL) V/RB1, with V = 0.7
    volts, loop = Fraction(7, 10), 200 * 150 - 1 - 47
    base = (150 * volts / 4700 + volts / 1000 + 48 * volts / 10000) / loop
    assert middle["currents"]["Q1", "base"] == base
    assert on["nets"]["out"] == Fraction(118, 10)


def test_states_multiply_in_separate_latches() -> None:
    assert len(all_states(latches(2, 0.0))) == 9


def test_no_answer_to_a_contradiction() -> None:
    shorted = b.circuit(b.supply("V1", "vp", "gnd", 5.0), b.supply("V2", "vp", "gnd", 6.0))
    assert all_states(shorted) == []


def test_what_is_open_has_no_number() -> None:
    floating = b.circuit(b.supply("V1", "vp", "gnd", 5.0), b.resistor("R1", "vp", "a", 1e3),
                         b.diode("D1", "a", "b"), b.resistor("R2", "b", "c", 1e3))
    (state,) = all_states(floating)
    assert state["devices"] == {"D1": "off"}
    assert state["nets"] == {"a": 5, "b": None, "c": None, "gnd": 0, "vp": 5}


def test_contacts_drivers_and_held_capacitors_count() -> None:
    lamp = b.circuit(b.supply("V1", "vp", "gnd", 9.0), b.contact("S1", "vp", "a"),
                     b.resistor("R1", "a", "b", 1e3), b.capacitor("C1", "b", "gnd", 1e-6),
                     b.driver("U1", "d", "gnd", 0.5, 4.5))
    closed = Configuration({"S1": "closed"}, {"U1": "high"})
    (rest,), (moved,) = all_states(lamp, held={"C1": 2.5}), all_states(lamp, closed, {"C1": 2.5})
    assert (rest["nets"]["a"], rest["nets"]["d"]) == (Fraction(5, 2), Fraction(1, 2))
    assert (moved["nets"]["a"], moved["nets"]["b"], moved["nets"]["d"]) == (9, Fraction(5, 2), Fraction(9, 2))
