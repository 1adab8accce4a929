"""Part-type data against the makers' sheets, and the gain promised between the published points."""

from __future__ import annotations

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.analysis.part_types import PART_TYPES, catalogue, minimum_beta
from rules.analysis.part_types.model import RATING_UNITS

TRANSISTORS = ("2N2222A", "2N2907A", "2N3904", "2N3906", "BC547B", "BC557B")
RECTIFIERS = tuple(f"1N400{i}" for i in range(1, 8))

# Makers' sheets as named in each entry's source: V_CEO, V_CBO, V_EBO, I_C, P_D, R_thJA, T_j in degC.
RATINGS = {
    "2N3904": (40, 60, 6, 0.2, 0.625, 250, 150),  # onsemi 2N3904/D, R_th: Vishay 88113
    "2N3906": (40, 40, 5, 0.2, 0.625, 200, 150),  # Multicomp 2N3906; ST allows 60 V and 6 V
    "2N2222A": (40, 75, 6, 0.6, 0.625, 200, 150),  # PN2222A (TO-92)
    "2N2907A": (60, 60, 5, 0.6, 0.5, 325, 200),  # TO-18
    "BC547B": (45, 50, 6, 0.1, 0.5, 200, 150),  # Fairchild BC547 (1997)
    "BC557B": (45, 50, 5, 0.1, 0.5, 250, 150),  # ST BC557B (2003)
}
# Same sheets: minimum h_FE by collector current.
GAINS = {
    "2N3904": {1e-4: 40, 1e-3: 70, 1e-2: 100, 5e-2: 60, 0.1: 30},
    "2N3906": {1e-4: 60, 1e-3: 80, 1e-2: 100, 5e-2: 60, 0.1: 30},
    "2N2222A": {1e-4: 35, 1e-3: 50, 1e-2: 75, 0.15: 50, 0.5: 40},  # 150 mA: 50 at V_CE 1 V, 100 at 10 V
    "2N2907A": {1e-4: 75, 1e-3: 100, 1e-2: 100, 0.15: 100, 0.5: 50},
    "BC547B": {2e-3: 200},
    "BC557B": {2e-3: 180},  # ST promises 220
}
GAIN_MAX = {"2N3904": 300, "2N3906": 300, "2N2222A": 300, "2N2907A": 300, "BC547B": 450, "BC557B": 475}
# Same sheets: V_CE(sat) limits as (I_C, I_B, V).
SATURATION = {
    "2N3904": [(0.01, 0.001, 0.20), (0.05, 0.005, 0.30)],
    "2N3906": [(0.01, 0.001, 0.25), (0.05, 0.005, 0.40)],
    "2N2222A": [(0.15, 0.015, 0.30), (0.5, 0.05, 1.0)],
    "2N2907A": [(0.15, 0.015, 0.40), (0.5, 0.05, 1.6)],
    "BC547B": [(0.01, 0.0005, 0.25), (0.1, 0.005, 0.60)],
    "BC557B": [(0.01, 0.0005, 0.30), (0.1, 0.005, 0.65)],
}
ICBO = {
    "2N3904": 50e-9,
    "2N3906": 50e-9,
    "2N2222A": 10e-9,
    "2N2907A": 20e-9,
    "BC547B": 15e-9,
    "BC557B": 15e-9,
}
KELVIN = 273.15


def test_the_catalogue_is_complete_and_sorted() -> None:
    assert list(PART_TYPES) == sorted((*TRANSISTORS, *RECTIFIERS, "1N4148"))
    kinds = {name: PART_TYPES[name].kind for name in PART_TYPES}
    assert {n for n, k in kinds.items() if k == "npn"} == {"2N3904", "2N2222A", "BC547B"}
    assert {n for n, k in kinds.items() if k == "pnp"} == {"2N3906", "2N2907A", "BC557B"}
    assert {n for n, k in kinds.items() if k == "diode"} == {*RECTIFIERS, "1N4148"}


@pytest.mark.parametrize("name", RATINGS)
def test_transistor_ratings(name: str) -> None:
    members = ("vceo", "vcbo", "vebo", "current", "power", "thermal", "junction")
    found = tuple(PART_TYPES[name].ratings[member].value for member in members)
    assert found == (*RATINGS[name][:6], RATINGS[name][6] + KELVIN)


@pytest.mark.parametrize(("name", "current", "gain"), [(n, i, g) for n in GAINS for i, g in GAINS[n].items()])
def test_published_minimum_gain(name: str, current: float, gain: float) -> None:
    promise = minimum_beta(PART_TYPES[name], current)
    assert (promise.value, promise.published) == (gain, True)


@pytest.mark.parametrize("name", TRANSISTORS)
def test_largest_gain_saturation_and_leakage(name: str) -> None:
    part = PART_TYPES[name]
    assert part.beta_max is not None
    assert part.beta_max.value == GAIN_MAX[name]
    assert [(p.collector_current, p.base_current, p.vce_max) for p in part.saturation] == SATURATION[name]
    assert part.icbo is not None
    assert (part.icbo.value, part.icbo.unit) == (ICBO[name], "A")


def test_base_emitter_voltages() -> None:
    # NXP BC848 series Rev 07, table 8; ST BC557B (2003).
    at_2ma = {
        name: (p.minimum, p.maximum)
        for name in ("BC547B", "BC557B")
        for p in PART_TYPES[name].base_emitter[:1]
    }
    assert at_2ma == {"BC547B": (0.58, 0.70), "BC557B": (0.60, 0.75)}
    assert [PART_TYPES[name].base_emitter[1].maximum for name in ("BC547B", "BC557B")] == [0.77, 0.82]


def test_diodes() -> None:
    # Panjit 1N4148 Rev 0.2 (2010); Diodes Inc DS28002 Rev E-2 (1N4001 to 1N4007).
    small = PART_TYPES["1N4148"]
    assert {k: v.value for k, v in small.ratings.items()} == {
        "current": 0.15, "junction": 423.15, "peak_reverse": 100.0, "power": 0.5,
        "reverse": 75.0, "surge": 0.5, "thermal": 300.0,
    }  # fmt: skip
    assert [(p.voltage, p.temperature, p.maximum) for p in small.leakage] == [
        (20.0, 298.15, 25e-9), (75.0, 298.15, 5e-6), (20.0, 423.15, 50e-6),
    ]  # fmt: skip
    assert [PART_TYPES[n].ratings["reverse"].value for n in RECTIFIERS] == [50, 100, 200, 400, 600, 800, 1000]
    for name in RECTIFIERS:
        part = PART_TYPES[name]
        assert (part.ratings["current"].value, part.ratings["surge"].value) == (1.0, 30.0)
        assert (part.forward[0].current, part.forward[0].maximum) == (
            1.0,
            1.1,
        )  # others than Diodes Inc: 1.1 V
        assert part.leakage[0].maximum == 5e-6


def test_thermal_identities() -> None:
    # 2N2907A, TO-18 sheet: 25 degC + 0.5 W * 325 K/W = 187.5 degC, below its 200 degC.
    limits = PART_TYPES["2N2907A"].ratings
    assert 25 + limits["power"].value * limits["thermal"].value == 187.5
    # 2N3906, PN2222A: 625 mW at 200 K/W is exactly 150 degC at 25 degC ambient.
    for name in ("2N3906", "2N2222A"):
        limits = PART_TYPES[name].ratings
        assert limits["junction"].value == pytest.approx(
            298.15 + limits["power"].value * limits["thermal"].value
        )


def test_between_the_points_the_gain_is_straight_in_the_logarithms() -> None:
    # Half way in log current between 1 mA (70) and 10 mA (100) of the 2N3904: the geometric mean.
    promise = minimum_beta("2N3904", math.sqrt(1e-3 * 1e-2))
    assert promise.value == pytest.approx(math.sqrt(70 * 100))
    assert promise.published
    assert promise.source.startswith("between 70 at 1 mA and 100 at 10 mA")


@pytest.mark.parametrize("name", TRANSISTORS)
def test_below_the_lowest_point_the_gain_falls_to_half_and_says_so(name: str) -> None:
    current, gain = next(iter(GAINS[name].items()))
    for tiny in (10e-6, 1e-6, 0.0):
        promise = minimum_beta(name, tiny)
        assert (promise.value, promise.published) == (gain / 2, False)
        assert promise.source.startswith("assumed")
    just_below = minimum_beta(name, current * (1 - 1e-9))
    assert just_below.value == pytest.approx(gain)
    assert not just_below.published


@pytest.mark.parametrize("name", TRANSISTORS)
def test_above_the_highest_point_the_last_value_comes_back_unpromised(name: str) -> None:
    current, gain = list(GAINS[name].items())[-1]
    promise = minimum_beta(name, current * 1.01)
    assert (promise.value, promise.published) == (gain, False)
    assert f"above {current * 1e3:g} mA" in promise.source


@given(st.sampled_from(TRANSISTORS), st.floats(1e-7, 1.0))
def test_the_gain_is_continuous_and_within_the_published_values(name: str, current: float) -> None:
    value = minimum_beta(name, current).value
    gains = GAINS[name].values()
    assert min(gains) / 2 <= value <= max(gains)
    assert minimum_beta(name, current * (1 + 1e-9)).value == pytest.approx(value, rel=1e-8)


def test_what_has_no_gain_is_refused() -> None:
    with pytest.raises(ValueError, match="1N4148 has no published current gain"):
        minimum_beta("1N4148", 1e-3)
    with pytest.raises(ValueError, match="unknown part type '2N9999'; known: 1N4001"):
        minimum_beta("2N9999", 1e-3)
    for current in (-1e-3, math.nan, math.inf):
        with pytest.raises(ValueError, match="collector current must be finite"):
            minimum_beta("2N3904", current)


def test_the_catalogue_is_plain_json_and_every_number_has_a_source() -> None:
    listed = catalogue()
    assert json.loads(json.dumps(listed, allow_nan=False)) == listed
    assert [part["name"] for part in listed] == list(PART_TYPES)
    for part in listed:
        for member, rating in part["ratings"].items():
            assert rating["unit"] == RATING_UNITS[member]
        entries = [*part["ratings"].values(), *part["characteristics"].values()]
        for group in ("beta", "saturation", "base_emitter", "forward", "leakage"):
            entries += part[group]
        entries += [part[single] for single in ("beta_max", "icbo") if part[single] is not None]
        assert len(entries) >= 10
        assert all(len(entry["source"]) > 8 for entry in entries)
