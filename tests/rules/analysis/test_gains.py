"""States carry the names of the document and the gains of their corner."""

from __future__ import annotations

import pytest

from rules.analysis.part_types import minimum_beta
from schemas.circuit import Beta, Part
from tests.builders import (
    amperes,
    circuit,
    npn,
    only_state,
    pnp,
    resistor,
    solve,
    supply,
)
from tests.latch import LATCH, regions, without


def test_states_carry_the_names_of_the_document() -> None:
    named = circuit(*LATCH, states={"dark": {"Q1": "off"}, "lit": {"Q2": "saturated"}, "busy": {"Q1": "on"}})
    names = {state.devices["Q2"]: state.name for state in solve(named).states}
    assert names == {"off": "dark", "saturated": "lit", "active": "Q1 active, Q2 active (unstable)"}
    particular = circuit(*LATCH, states={"busy": {"Q1": "on"}, "lit": {"Q1": "saturated", "Q2": "saturated"}})
    assert {state.name for state in solve(particular).stable} == {"all off", "lit"}


def stage(beta: Beta | None = None, rb: float = 100e3, re: float = 1e3, **values: str) -> tuple[Part, ...]:
    return (
        supply("V1", "vp", "gnd", 12.0),
        resistor("RB", "vp", "b", rb),
        npn("Q1", "vp", "b", "e", beta, **values),
        resistor("RE", "e", "gnd", re),
    )


@pytest.mark.parametrize(("corner", "gain"), [("min", 50.0), ("typical", 90.0), ("max", 300.0)])
def test_gain_corners(corner: str, gain: float) -> None:
    state = only_state(circuit(*stage(Beta(50.0, 90.0, 300.0))), corner=corner)
    assert amperes(state, "Q1", "base") == pytest.approx(11.3 / (100e3 + (gain + 1.0) * 1e3), rel=1e-9)


@pytest.mark.parametrize("name", ["2N3904", "2N2222A", "BC547B"])
@pytest.mark.parametrize(("rb", "re"), [(1e6, 10e3), (100e3, 1e3), (47e3, 220.0), (1e8, 1e6)])
def test_published_gain_is_read_at_the_collector_current_of_the_state(
    name: str, rb: float, re: float
) -> None:
    state = only_state(circuit(*stage(None, rb, re, type=name)), corner="min")
    collector, base = amperes(state, "Q1", "collector"), amperes(state, "Q1", "base")
    promise = minimum_beta(name, collector).value
    assert collector / base == pytest.approx(promise, rel=1e-8)
    assert base == pytest.approx(11.3 / (rb + (promise + 1.0) * re), rel=1e-8)


def test_published_gain_of_a_pnp_in_a_latch() -> None:
    """Each state has its own currents, so each has its own least gains."""
    parts = (
        *without(LATCH, "Q1", "Q2"),
        npn("Q1", "c1", "b1", "gnd", type="2N3904"),
        pnp("Q2", "out", "b2", "vp", type="2N3906"),
    )
    found = solve(circuit(*parts), corner="min")
    assert found.complete, found.reason
    assert len(found.states) == 3
    middle = regions(found)["active", "active"]
    for name, kind in (("Q1", "2N3904"), ("Q2", "2N3906")):
        collector = abs(amperes(middle, name, "collector"))
        expected = minimum_beta(kind, collector).value
        assert collector / abs(amperes(middle, name, "base")) == pytest.approx(expected, rel=1e-8)
