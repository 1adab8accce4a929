"""Parts and nets are found again under other names, and nothing is paired on a guess."""

from __future__ import annotations

import copy
import random
from typing import Any

import pytest

from schemas.circuit import Circuit
from service.comparison.matching import Matching, match
from service.documents import load_circuit
from tests.service.comparison.renaming import corpus, fresh, renamed, shuffled

Json = dict[str, Any]


def wiring(circuit: Circuit, found: Matching | None = None) -> list[Any]:
    """Every part with its values and nets, in the names of the other side."""
    rows = []
    for name, part in circuit.parts.items():
        alike = part.pins.keys() == {"a", "b"}
        nets = sorted(
            ("" if alike else pin, net if found is None else found.nets[net])
            for pin, net in part.pins.items()
        )
        called = name if found is None else found.parts[name]
        rows.append((called, part.kind, repr(sorted(part.values.items())), nets))
    return sorted(rows)


def small(**parts: Json) -> Json:
    supply = {"kind": "supply", "voltage": "5 V", "pins": {"plus": "rail", "minus": "gnd"}}
    return {"format": "thumbrule/1", "name": "bench", "ground": "gnd", "parts": {"V1": supply, **parts}}


def r(ohms: str, a: str, b: str) -> Json:
    return {"kind": "resistor", "resistance": ohms, "pins": {"a": a, "b": b}}


def matched(base: Json, head: Json) -> Matching:
    return match(load_circuit(base), load_circuit(head))


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("deal", [fresh, shuffled])
def test_every_circuit_of_the_corpus_is_found_again_whole(deal: Any, seed: int) -> None:
    for name, document in corpus().items():
        circuit = document.circuit
        head = load_circuit(renamed(document.raw, deal(circuit.parts, seed), deal(circuit.net_names, seed)))
        found = match(circuit, head)
        assert found.parts.keys() == circuit.parts.keys(), name
        assert wiring(circuit, found) == wiring(head), name  # twins may change places: the wiring is the same


def test_a_change_beside_new_names_leads_nobody_astray() -> None:
    """Some names are new, one resistor is changed, added or taken out: no pair is wrong, few are missing."""
    right = wrong = missing = 0
    for name, document in corpus().items():
        circuit, raw = document.circuit, document.raw
        resistors = [part for part, item in raw["parts"].items() if item["kind"] == "resistor"]
        if not resistors or set(raw) & {"requirements", "nets"}:
            continue
        for seed in range(3):
            draw = random.Random(f"{name} {seed}")
            victim = draw.choice(resistors)
            parts, nets = fresh(circuit.parts, seed, 0.3), fresh(circuit.net_names, seed + 1, 0.3)
            changed = copy.deepcopy(raw)
            if seed == 0:
                changed["parts"][victim]["resistance"] = "123 ohm"
            elif seed == 1:
                changed["parts"]["RN"] = r("1k", raw["parts"][victim]["pins"]["a"], raw["ground"])
            else:
                del changed["parts"][victim]
            found = match(circuit, load_circuit(renamed(changed, parts, nets)))
            for part in changed["parts"].keys() - {"RN"}:
                got, want = found.parts.get(part), parts.get(part, part)
                right += got == want
                missing += got is None
                wrong += got not in (want, None)
            if seed == 2:
                assert victim not in found.parts, (name, seed)
    assert wrong == 0
    assert right > 1000
    assert missing <= 0.01 * right


def test_new_values_are_no_reason_to_doubt_a_name() -> None:
    base = small(R1=r("1k", "rail", "mid"), R2=r("2k", "mid", "gnd"))
    head = small(R1=r("2k", "rail", "mid"), R2=r("1k", "mid", "gnd"))
    assert matched(base, head).parts == {"R1": "R1", "R2": "R2", "V1": "V1"}
    # nor is a new part that has the old value at the same place
    head = small(R1=r("2k", "rail", "mid"), R9=r("1k", "rail", "mid"), R2=r("2k", "mid", "gnd"))
    assert matched(base, head).parts == {"R1": "R1", "R2": "R2", "V1": "V1"}


def test_names_dealt_out_anew_do_not_deceive() -> None:
    base = small(R1=r("1k", "rail", "mid"), R2=r("2k", "mid", "low"), R3=r("3k", "low", "gnd"))
    head = small(R2=r("1k", "rail", "mid"), R3=r("2k", "mid", "low"), R1=r("3k", "low", "gnd"))
    assert matched(base, head).parts == {"R1": "R2", "R2": "R3", "R3": "R1", "V1": "V1"}
    head = small(R1=r("1k", "rail", "low"), R2=r("2k", "low", "mid"), R3=r("3k", "mid", "gnd"))
    assert matched(base, head).nets == {"gnd": "gnd", "low": "mid", "mid": "low", "rail": "rail"}


def test_a_part_whose_pins_are_alike_may_be_turned_round_on_the_way() -> None:
    base = small(R1=r("1k", "rail", "mid"), R2=r("2k", "mid", "gnd"))
    head = small(R8=r("1k", "n7", "rail"), R9=r("2k", "gnd", "n7"))
    found = matched(base, head)
    assert found.parts == {"R1": "R8", "R2": "R9", "V1": "V1"}
    assert found.nets == {"gnd": "gnd", "mid": "n7", "rail": "rail"}
    assert found.renamed == ({"R1": "R8", "R2": "R9"}, {"mid": "n7"})


def test_of_two_candidates_neither_is_taken() -> None:
    base = small(R1=r("1k", "rail", "gnd"))
    head = small(R8=r("1k5", "rail", "gnd"), R9=r("2k2", "rail", "gnd"))
    assert matched(base, head).parts == {"V1": "V1"}
    # equal values decide between them
    head = small(R8=r("1k5", "rail", "gnd"), R9=r("1k", "rail", "gnd"))
    assert matched(base, head).parts == {"R1": "R9", "V1": "V1"}


def test_twins_are_paired_by_name() -> None:
    base = small(R1=r("1k", "rail", "gnd"), R2=r("1k", "rail", "gnd"))
    head = small(R8=r("1k", "rail", "gnd"), R9=r("1k", "gnd", "rail"))
    assert matched(base, head).parts == {"R1": "R8", "R2": "R9", "V1": "V1"}


def test_what_a_document_says_of_a_part_tells_twins_apart() -> None:
    led = {"kind": "led", "forward": "2 V", "pins": {"anode": "a", "cathode": "gnd"}}
    parts = {"R1": r("1k", "rail", "x"), "R2": r("1k", "rail", "y")}
    for name, net in (("D1", "x"), ("D2", "y")):
        parts[name] = {**led, "pins": {"anode": net, "cathode": "gnd"}}
    base = small(**parts) | {"states": {"lit": {"D2": "on"}}}
    head = renamed(base, {"D1": "D9", "D2": "D3", "R1": "R9", "R2": "R3"}, {"x": "y9", "y": "y3"})
    found = matched(base, head)
    assert (found.parts["D1"], found.parts["R1"], found.nets["x"]) == ("D9", "R9", "y9")


def test_a_part_of_another_kind_is_another_part_unless_the_name_stays() -> None:
    base = small(R1=r("1k", "rail", "gnd"))
    coil = {"kind": "inductor", "inductance": "1 mH", "pins": {"a": "rail", "b": "gnd"}}
    assert matched(base, small(L1=coil)).parts == {"V1": "V1"}
    assert matched(base, small(R1=coil)).parts == {"R1": "R1", "V1": "V1"}


def test_the_ground_is_the_ground_whatever_it_is_called() -> None:
    base = small(R1=r("1k", "rail", "gnd"))
    head = renamed(base, {"R1": "R5"}, {"gnd": "0", "rail": "gnd"})
    found = matched(base, head)
    assert found.nets == {"gnd": "0", "rail": "gnd"}
    assert found.parts == {"R1": "R5", "V1": "V1"}


def test_a_group_of_parts_that_hangs_on_nothing_is_found_too() -> None:
    cell = {"kind": "battery", "voltage": "9 V", "pins": {"plus": "p", "minus": "m"}}
    base = small(R1=r("1k", "rail", "gnd"), BT1=cell, R2=r("3k", "p", "m"))
    head = renamed(base, {"BT1": "B7", "R2": "R7"}, {"p": "p7", "m": "m7"})
    assert matched(base, head).parts == {"BT1": "B7", "R1": "R1", "R2": "R7", "V1": "V1"}
