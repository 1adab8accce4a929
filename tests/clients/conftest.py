"""Answers in the shape of the service, small enough to read."""

from __future__ import annotations

from typing import Any

import pytest


def sample_review() -> dict[str, Any]:
    """One root finding with a proven remedy, one that it causes, and every kind of outcome."""
    root = {
        "identity": "min-beta-drive/1/aa", "rule": "min-beta-drive", "severity": "error",
        "parts": ["Q1", "R1"], "nets": [], "pointers": ["/parts/R1/resistance"], "role": "switch",
        "state": "bright", "corner": "min",
        "message": "Q1 gets 403.4 uA of base current where 43.7 mA of lamp current and a gain of 65 need"
                   " 672.3 uA: the overdrive is 0.6, at least 3 is wanted.",
        "evidence": [
            {"symbol": "I_B", "meaning": "base current of Q1", "value": 403.4e-6, "unit": "A",
             "origin": "derived", "pointer": None, "source": None},
            {"symbol": "R_B", "meaning": "base resistor", "value": 10e3, "unit": "ohm", "origin": "declared",
             "pointer": "/parts/R1/resistance", "source": None},
            {"symbol": "beta_min", "meaning": "smallest gain at 43.7 mA", "value": 65.0, "unit": "",
             "origin": "assumed", "pointer": "/parts/Q1", "source": "published type data"},
            {"symbol": "I_X", "meaning": "a current that nothing limits", "value": None, "unit": "A",
             "origin": "derived", "pointer": None, "source": None},
        ],
        "test": {"left": 0.6, "relation": ">=", "right": 3.0, "unit": "", "margin": -2.4},
        "grounds": {"rule_of_thumb": "Give a switch three times the base current of its weakest part.",
                    "formula": "ODF = beta_min * I_B / I_C", "symbols": {"ODF": "overdrive factor"},
                    "source": "common practice, no source", "holds": "for a saturated switch",
                    "fails": "for a lamp at switch-on"},
        "remedies": [
            {"summary": "lower R1 to 1.8 kohm",
             "patch": [{"op": "test", "path": "/parts/R1/kind", "value": "resistor"},
                       {"op": "test", "path": "/parts/R1/resistance", "value": "10k"},
                       {"op": "replace", "path": "/parts/R1/resistance", "value": "1.8 kohm"}],
             "proof": {"proven": True, "reason": "re-run", "before": 0.6, "after": 3.3, "limit": 3.0,
                       "unit": "", "corners": ["min", "typical", "max"],
                       "effects": [{"symbol": "I_U1", "meaning": "largest current from U1", "value": 2.3e-3,
                                    "unit": "A"}]}},
        ],
        "advice": ["swap Q1 for a type with more gain: withdrawn: no type in the list reaches 3"],
        "caused_by": None, "occurrences": [],
    }
    folded = {
        **root, "identity": "saturation-headroom/1/bb", "rule": "saturation-headroom", "severity": "warning",
        "parts": ["Q1"], "message": "Q1 stays at 4.93 V in the state bright.", "remedies": [], "advice": [],
        "caused_by": root["identity"],
    }
    test = {"left": 20.0, "relation": ">=", "right": 10.0, "unit": "", "margin": 10.0}
    outcomes = [
        {"rule": "divider-stiffness", "kind": "not-applicable", "subject": [], "reason": "no divider"},
        {"rule": "min-beta-drive", "kind": "violated", "subject": ["Q1"], "reason": ""},
        {"rule": "min-beta-drive", "kind": "satisfied", "subject": ["Q2"], "reason": "", "test": test},
        {"rule": "reset-path", "kind": "undecided", "subject": ["C1"], "reason": "needs a requirement"},
        {"rule": "timing-leakage", "kind": "failed", "subject": [], "reason": "the rule raised ValueError"},
    ]
    return {
        "circuit": "lamp", "ruleset": "sha256:0", "complete": True, "states": [], "findings": [root, folded],
        "outcomes": outcomes,
        "assumed": [{"pointer": "/parts/R1/tolerance", "quantity": "tolerance", "value": 5.0, "unit": "%",
                     "source": "stated default"},
                    {"pointer": "/parts/Q1/icbo", "quantity": "icbo", "value": 5e-8, "unit": "A",
                     "source": "published type data"}],
        "cautions": ["Not for anything that people depend on."], "problems": [],
    }


@pytest.fixture
def review() -> dict[str, Any]:
    return sample_review()
