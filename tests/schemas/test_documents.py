"""Whole documents: every kind, part types, generated circuits, the same answer under any order and seed."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import FrozenInstanceError
from pathlib import Path
from types import MappingProxyType
from typing import Any

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from schemas.circuit import Circuit, Part
from schemas.document import dump, load, read
from schemas.kinds import ASSUMPTIONS, KINDS, REGIONS, Parameter
from schemas.layout import REQUIREMENTS_BY_KIND
from schemas.problems import DocumentProblems
from schemas.quantities import DIMENSIONS, document_text, parse
from schemas.references import part_type_problems
from tests.schemas.corpus import GOOD_YAML, MALFORMED
from tests.schemas.test_agreement import MARSHMALLOW, QUICK

ROOT = Path(__file__).parents[2]


def test_the_good_document_has_every_kind_of_part_and_requirement() -> None:
    circuit = read(GOOD_YAML.encode()).circuit
    assert {part.kind for part in circuit.parts.values()} == KINDS.keys()
    assert {requirement.kind for requirement in circuit.requirements} == REQUIREMENTS_BY_KIND.keys()


def test_values_are_in_si() -> None:
    circuit = read(GOOD_YAML.encode()).circuit
    assert circuit.parts["BT1"].number("capacity") == 1800.0
    assert circuit.parts["C2"].number("capacitance") == 4.7e-12
    assert circuit.parts["Q1"].text("type") == "2N3904"
    assert circuit.parts["M1"].values["inductive"] is True
    assert circuit.ambient is not None
    assert circuit.ambient.low == 263.15
    assert circuit.assumptions == {"vbe_on": 0.65, "vce_sat": 0.15}
    assert circuit.states["running"] == {"Q1": "saturated", "Z1": "breakdown"}
    assert [action.at for action in circuit.stimuli["float-drops"]] == [0.0, 0.25, 1.0]
    assert circuit.requirements[0].values["within"] == 0.3
    assert circuit.requirements[5].values["at_least"] == 31557600.0
    assert circuit.nets["out"].terminal
    assert circuit.waivers[1].nets == ("n1",)
    assert circuit.net_names == ("aux", "gnd", "n1", "n2", "n3", "n4", "out", "rail")


def test_defaults_that_a_document_may_override_are_themselves_accepted() -> None:
    for name, (dimension, value) in ASSUMPTIONS.items():
        assert parse(value, dimension, "positive") == value, name
    assert load(_small(assumptions={name: value for name, (_, value) in ASSUMPTIONS.items()})).assumptions


def test_the_table_of_kinds_is_sound() -> None:
    types = {*DIMENSIONS, "tolerance", "choice", "flag", "beta", "ratings", "leakage", "type"}
    for kind in KINDS.values():
        names = [p.name for p in kind.parameters]
        assert len(set(names)) == len(names)
        assert {p.type for p in kind.parameters} <= types
        assert {p.bound for p in kind.parameters} <= {"positive", "nonnegative", "any"}
        assert all(bool(p.choices) == (p.type == "choice") or p.type == "ratings" for p in kind.parameters)
        assert {name for group in kind.one_of for name in group} <= set(names)
        assert not {"kind", "pins"} & set(names)
    assert REGIONS.keys() <= KINDS.keys()


def test_a_circuit_cannot_be_changed() -> None:
    circuit = read(GOOD_YAML.encode()).circuit
    with pytest.raises(FrozenInstanceError):
        circuit.name = "other"  # type: ignore[misc]
    for mapping in (
        circuit.parts,
        circuit.parts["R1"].values,
        circuit.parts["R1"].pins,
        circuit.states,
        circuit.nets,
    ):
        with pytest.raises(TypeError):
            mapping["x"] = 1  # type: ignore[index]


def test_load_takes_any_mapping_and_leaves_it_alone() -> None:
    document = read(GOOD_YAML.encode())
    before = json.dumps(document.raw)
    assert load(MappingProxyType(document.raw)) == document.circuit
    assert json.dumps(document.raw) == before


@pytest.mark.parametrize("raw", [None, 1, "x", [], {1: 2}, {"parts": {1: {}}}, {"parts": {"R1": {2: 3}}}])
def test_load_refuses_data_that_is_not_json_with_problems_only(raw: Any) -> None:
    with pytest.raises(DocumentProblems) as caught:
        load(raw)
    assert caught.value.problems


# --- part types ------------------------------------------------------------------------------------------

TYPES: Mapping[str, str] = {"2N3904": "npn", "2N3906": "pnp", "BC547B": "npn", "1N4148": "diode"}


def test_part_types_are_checked_when_they_are_given() -> None:
    assert read(GOOD_YAML.encode(), part_types=TYPES).circuit == read(GOOD_YAML.encode()).circuit
    for changed, words in (
        ("2N3940", 'the part type is not known; seen: "2N3940"; accepted: 2N3904, BC547B; nearest: 2N3904'),
        (
            "2N3906",
            'the part type is of kind pnp, the part of kind npn; seen: "2N3906"; accepted: 2N3904, BC547B',
        ),
    ):
        text = GOOD_YAML.replace("2N3904", changed)
        with pytest.raises(DocumentProblems) as caught:
            read(text.encode(), part_types=TYPES)
        (problem,) = caught.value.problems
        assert (problem.pointer, problem.line) == ("/parts/Q1/type", 16)
        assert problem.message == words
        circuit = read(text.encode()).circuit
        (same,) = part_type_problems(circuit, TYPES)
        assert same.message == words
        with pytest.raises(DocumentProblems):
            load(read(text.encode()).raw, part_types=TYPES)


def test_no_types_known() -> None:
    with pytest.raises(DocumentProblems) as caught:
        read(GOOD_YAML.encode(), part_types={})
    assert [p.pointer for p in caught.value.problems] == ["/parts/D1/type", "/parts/Q1/type"]
    assert part_type_problems(read(GOOD_YAML.encode()).circuit, TYPES) == ()


# --- generated circuits ----------------------------------------------------------------------------------


def _small(**sections: Any) -> dict[str, Any]:
    part = {"kind": "resistor", "resistance": 1000, "pins": {"a": "a", "b": "b"}}
    return {"format": "thumbrule/1", "name": "n", "ground": "a", "parts": {"R1": part}} | sections


NAMES = st.from_regex(r"[A-Z][A-Z0-9_.+-]{0,4}", fullmatch=True)
NETS = st.sampled_from(["gnd", "+9V", "out", "n.1", "0", "_x-"])


def _value(p: Parameter) -> st.SearchStrategy[Any]:
    """Raw values of one parameter, as numbers and as text."""
    if p.type in DIMENSIONS:
        d = DIMENSIONS[p.type]
        low = max(d.smallest, 1e-9) if p.type == "voltage" else d.smallest
        numbers = st.floats(low, d.largest)
        return numbers | numbers.map(lambda value: document_text(value, p.type))
    gains = st.floats(1.0, 1000.0)
    rating = {"vceo": "voltage", "current": "current", "power": "power", "junction": "temperature"}
    return {
        "choice": st.sampled_from(p.choices or ("x",)),
        "flag": st.booleans(),
        "type": st.sampled_from(sorted(TYPES)),
        "tolerance": st.floats(0.0, 0.99) | st.sampled_from(["5 %", "-20/+50 %", "J", "\u00b110 %"]),
        "leakage": st.floats(1e-12, 1.0) | st.floats(1e-6, 10.0).map(lambda f: f"{f!r}CV"),
        "beta": gains
        | st.tuples(gains, gains, gains).map(
            lambda t: dict(zip(("min", "typical", "max"), sorted(t), strict=True))
        ),
        "ratings": st.sampled_from(sorted(set(rating) & set(p.choices or rating))).flatmap(
            lambda name: st.floats(200.0, 400.0).map(lambda value: {name: value})
        ),
    }[p.type]


RISING = {
    "battery": (("low", "voltage", "high"),),
    "supply": (("low", "voltage", "high"),),
    "coil": (("pick_up", "nominal"),),
    "driver": (("low", "high"),),
}


@st.composite
def parts(draw: st.DrawFn) -> dict[str, Any]:
    kind = draw(st.sampled_from(sorted(KINDS)))
    table = KINDS[kind]
    part: dict[str, Any] = {"kind": kind}
    for p in table.parameters:
        if p.required or (table.one_of and p.name == "beta") or draw(st.booleans()):
            part[p.name] = draw(_value(p))
    for names in RISING.get(kind, ()):
        present = [name for name in names if name in part]
        part |= zip(present, sorted(parse(part[name], "voltage") for name in present), strict=True)
    if kind == "driver" and part["low"] == part["high"]:
        part["low"] = -part["high"]
    if part.get("tolerance") == "J" and kind == "capacitor":
        part["capacitance"] = "1 nF"
    part["pins"] = {pin: draw(NETS) for pin in draw(st.sampled_from(table.pins))}
    return part


@st.composite
def documents(draw: st.DrawFn) -> dict[str, Any]:
    names: list[str] = draw(st.lists(NAMES, min_size=1, max_size=5, unique=True))
    made = {name: draw(parts()) for name in names}
    used = sorted({net for part in made.values() for net in part["pins"].values()})
    raw: dict[str, Any] = {"format": "thumbrule/1", "name": "generated", "ground": used[0], "parts": made}
    devices = [name for name, part in made.items() if part["kind"] in REGIONS]
    if draw(st.booleans()) and devices:
        raw["states"] = {
            "first": {n: draw(st.sampled_from([*REGIONS[made[n]["kind"]], "on"])) for n in devices}
        }
        raw["requirements"] = [
            {"kind": "net-voltage", "net": used[-1], "state": "first", "target": 1.5, "within": "5 %"}
        ]
    if draw(st.booleans()):
        raw["nets"] = {
            net: {"label": draw(st.text("ab \u00b5", min_size=1).filter(lambda text: bool(text.strip())))}
            for net in used[:2]
        }
        raw["waivers"] = [
            {"rule": "a-b", "parts": names[:1], "reason": "r\ns", "owner": "o", "expires": "2030-12-31"}
        ]
        raw["ambient"] = {"low": "0 degC", "nominal": 300, "high": "40 degC"}
    return raw


def shuffled(value: Any, turn: int) -> Any:
    """The same data with members in another order; lists stay."""
    if isinstance(value, dict):
        keys = sorted(value, key=lambda key: (hash((turn, len(key))), key), reverse=bool(turn % 2))
        return {key: shuffled(value[key], turn) for key in keys}
    return [shuffled(item, turn) for item in value] if isinstance(value, list) else value


@settings(max_examples=150)
@given(documents(), st.integers(0, 3))
def test_generated_documents_go_round(raw: dict[str, Any], turn: int) -> None:
    circuit = load(raw)
    plain = dump(circuit)
    assert load(plain) == circuit
    assert json.dumps(dump(load(plain))) == json.dumps(plain)
    assert json.loads(json.dumps(plain, allow_nan=False)) == plain
    other = load(shuffled(raw, turn))
    assert other == circuit
    assert json.dumps(dump(other)) == json.dumps(plain)  # members in one order, whatever the document's
    assert QUICK.is_valid(raw)
    assert MARSHMALLOW.load(raw) == circuit
    of_json, of_yaml = read(json.dumps(raw).encode()), read(yaml.safe_dump(plain).encode(), "yaml")
    assert of_json.circuit == circuit
    assert of_yaml.circuit == circuit
    assert list(circuit.parts) == sorted(circuit.parts)


def test_equal_circuits_have_equal_text_even_when_made_by_hand() -> None:
    part = Part("R1", "resistor", {"a": "a", "b": "b"}, {"resistance": 1000.0})
    assert dump(Circuit("n", "a", {"R1": part})) == dump(load(_small()))


# --- the same under any hash seed ------------------------------------------------------------------------

PROGRAM = """
import json, sys
from schemas.document import dump, read
from schemas.problems import DocumentProblems
for text in json.load(sys.stdin):
    try:
        print(json.dumps(dump(read(text.encode()).circuit)))
    except DocumentProblems as refused:
        print(refused)
"""


def test_the_same_bytes_under_any_hash_seed() -> None:
    texts = json.dumps([GOOD_YAML, *(case.text for case in MALFORMED if case.spelling == "yaml")][::7])
    outputs = {
        subprocess.run(
            [sys.executable, "-c", PROGRAM],
            input=texts.encode(),
            capture_output=True,
            check=True,
            cwd=ROOT,
            env={**os.environ, "PYTHONHASHSEED": seed, "PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "utf-8"},
        ).stdout
        for seed in ("0", "1", "2", "77", "4294967295")
    }
    assert len(outputs) == 1
    assert len(outputs.pop().splitlines()) > 30
