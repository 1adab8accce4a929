"""Published sets of derating shares, by name: what each document allows of a rating.

A row that was read in its document says where; a row from memory says so in its source, and the rules keep
findings on such limits at a warning.  Nothing is filled in where a document is silent: the rule's own limit
stays.

Left out: NAVSEA SD-18, whose diode table gives small-signal diodes and rectifiers different shares, so that
one limit cannot hold it; EEE-INST-002's junction limit, a share of the rated temperature and no temperature.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import TypeAlias

Key: TypeAlias = tuple[str, str]  # (slug of the rule, name of the limit)

HOUSE = "house"


@dataclass(frozen=True, slots=True)
class Row:
    """One limit of a profile in SI units, and where it was published."""

    value: float
    source: str

    @property
    def from_memory(self) -> bool:
        return "from memory" in self.source


@dataclass(frozen=True, slots=True)
class Profile:
    title: str
    rows: Mapping[Key, Row]


_KELVIN = 273.15
_SHORT: Mapping[str, Key] = {
    "resistor": ("resistor-dissipation", "share"),
    "aluminium": ("capacitor-voltage", "aluminium"),
    "film": ("capacitor-voltage", "film"),
    "tantalum": ("capacitor-voltage", "tantalum"),
    "ceramic": ("capacitor-voltage", "ceramic"),
    "v_ce": ("collector-voltage", "share"),
    "v_eb": ("base-emitter-reverse", "share"),
    "i_c": ("collector-current", "share"),
    "p_tot": ("transistor-dissipation", "share"),
    "t_j": ("transistor-dissipation", "junction"),
    "i_f": ("diode-ratings", "current_share"),
    "v_r": ("diode-ratings", "reverse_share"),
    "p_d": ("diode-ratings", "power_share"),
}


def _rows(source: str, **values: float) -> dict[Key, Row]:
    return {_SHORT[name]: Row(value, source) for name, value in values.items()}


def _profile(title: str, *parts: Mapping[Key, Row]) -> Profile:
    return Profile(title, MappingProxyType({key: row for part in parts for key, row in part.items()}))


_SRC = "Part Derating Parameters, System Reliability Center (Rome NY), {} environment"
_EEE_READ = "NASA/GSFC EEE-INST-002, Capacitors, Table 4 (3/05){}"
_EEE = "NASA EEE-INST-002 (NASA/TP-2003-212242), from memory"
_975 = "MIL-STD-975M (NASA, 1994), Appendix A, from memory"
_ECSS = "ECSS-Q-ST-30-11C Rev 1 (2011), from memory"
_338 = "MIL-HDBK-338B (1998), part derating, level {}, from memory"

PROFILES: Mapping[str, Profile] = MappingProxyType(
    {
        HOUSE: Profile("the shares that the rules bring themselves", MappingProxyType({})),
        "src-severe": _profile(
            "System Reliability Center, severe environment: capacitors and general-purpose diodes",
            _rows(_SRC.format("severe"), aluminium=0.7, ceramic=0.6, film=0.6, tantalum=0.7),
            _rows(_SRC.format("severe"), i_f=0.9, v_r=0.7),
        ),
        "src-benign": _profile(
            "System Reliability Center, benign environment: capacitors and general-purpose diodes",
            _rows(_SRC.format("benign"), aluminium=0.8, ceramic=0.7, film=0.7, tantalum=0.8),
            # the table says less than 100 % for the current
            _rows(_SRC.format("benign"), i_f=1.0, v_r=0.8),
        ),
        "eee-inst-002": _profile(
            "NASA/GSFC EEE-INST-002: capacitors as read, the rest from memory",
            _rows(_EEE_READ.format(": styles CCR CKS CKR CDR, at 10 V and above"), ceramic=0.6),
            _rows(_EEE_READ.format(": plastic film, styles CRH CHS"), film=0.6),
            _rows(_EEE_READ.format(": solid tantalum up to 70 degC, 0.30 at 110 degC"), tantalum=0.5),
            _rows(_EEE, resistor=0.6, v_ce=0.75, i_c=0.75, p_tot=0.6, i_f=0.5, v_r=0.7, p_d=0.5),
        ),
        "mil-std-975": _profile(
            "MIL-STD-975M, from memory",
            _rows(_975, resistor=0.6, ceramic=0.6, film=0.6, tantalum=0.5),
            _rows(_975, v_ce=0.75, i_c=0.75, p_tot=0.6, t_j=125.0 + _KELVIN, i_f=0.5, v_r=0.7, p_d=0.5),
        ),
        "ecss-q-st-30-11": _profile(
            "ECSS-Q-ST-30-11C Rev 1, from memory",
            _rows(_ECSS, resistor=0.5, ceramic=0.6, film=0.6, tantalum=0.6),
            _rows(_ECSS, v_ce=0.75, v_eb=0.75, i_c=0.75, p_tot=0.65, t_j=110.0 + _KELVIN),
            _rows(_ECSS, i_f=0.75, v_r=0.75, p_d=0.5),
        ),
        "mil-hdbk-338-level-1": _profile(
            "MIL-HDBK-338B, level I, from memory",
            _rows(_338.format("I"), resistor=0.5, ceramic=0.5, film=0.5, tantalum=0.5),
            _rows(_338.format("I"), v_ce=0.7, p_tot=0.5, t_j=95.0 + _KELVIN, i_f=0.5, v_r=0.7),
        ),
        "mil-hdbk-338-level-2": _profile(
            "MIL-HDBK-338B, level II, from memory",
            _rows(_338.format("II"), resistor=0.5, ceramic=0.6, film=0.6, tantalum=0.6),
            _rows(_338.format("II"), v_ce=0.7, p_tot=0.6, t_j=105.0 + _KELVIN, i_f=0.65, v_r=0.7),
        ),
        "mil-hdbk-338-level-3": _profile(
            "MIL-HDBK-338B, level III, from memory",
            _rows(_338.format("III"), resistor=0.5, aluminium=0.8, ceramic=0.6, film=0.6, tantalum=0.6),
            _rows(_338.format("III"), v_ce=0.7, p_tot=0.7, t_j=125.0 + _KELVIN, i_f=0.75, v_r=0.7),
        ),
    }
)
"""Name -> profile.  The numbers of the standards named as from memory were not looked up."""

SHARES: frozenset[Key] = frozenset(key for name, key in _SHORT.items() if name != "t_j")
"""Limits that are a share of a rating, whatever their name."""
