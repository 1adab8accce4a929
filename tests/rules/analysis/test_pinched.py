"""The output of a biased push-pull pair: no path settles it, its junctions do."""

from __future__ import annotations

import pytest

from rules.analysis.pinched import pinched
from rules.lost_state import RULE as LOST_STATE
from rules.no_dc_path import RULE as NO_DC_PATH
from schemas.circuit import Circuit
from tests.builders import capacitor, circuit, diode, npn, only_state, pnp, resistor, supply
from tests.judged import judged


def pair(drop: float = 0.7, upper: float = 2.2e3, **more: object) -> Circuit:
    return circuit(
        supply("V1", "rail", "gnd", 9.0),
        resistor("R1", "rail", "up", upper),
        diode("D1", "up", "in", drop),
        diode("D2", "in", "dn", drop),
        resistor("R2", "dn", "gnd", 2.2e3),
        npn("Q1", "rail", "up", "e1", 100.0),
        resistor("R3", "e1", "out", 10.0),
        resistor("R4", "out", "e2", 10.0),
        pnp("Q2", "gnd", "dn", "e2", 100.0),
        capacitor("C1", "out", "ear", 470e-6),
        resistor("R5", "ear", "gnd", 100.0),
        **more,  # type: ignore[arg-type]
    )


def test_equal_drops_leave_one_potential() -> None:
    """By hand: V(up) - 0.7 V = V(dn) + 0.7 V = 4.5 V, half of 9 V, as the two feeds are equal."""
    (one,) = pinched(only_state(pair()))
    assert one.nets == ("e1", "e2", "out")
    assert one.volts == pytest.approx(4.5)
    assert one.devices == {"Q1", "Q2"}


def test_smaller_drops_of_the_diodes_leave_room() -> None:
    """Each transistor then lacks a tenth of a volt: the output may lie anywhere within 0.2 V."""
    assert pinched(only_state(pair(0.6))) == ()


def test_the_rules_leave_it_alone() -> None:
    assert judged(pair(), NO_DC_PATH, LOST_STATE).findings == ()


def test_where_there_is_room_it_is_told() -> None:
    (finding,) = judged(pair(0.5), NO_DC_PATH).findings
    assert set(finding.nets) == {"e1", "e2", "out"}


def test_an_open_base_is_no_such_thing() -> None:
    loose = circuit(
        supply("V1", "rail", "gnd", 9.0),
        resistor("R1", "rail", "out", 1e3),
        npn("Q1", "out", "base", "gnd", 100.0),
        capacitor("C1", "base", "gnd", 1e-9),
    )
    assert pinched(only_state(loose)) == ()
    assert judged(loose, NO_DC_PATH).findings != ()
