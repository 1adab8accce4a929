"""An application with a small rule set of its own, so that the web layer is tested by itself."""

from __future__ import annotations

import pytest
from flask import Flask
from flask.testing import FlaskClient

from service import facade
from service.http.app import create_app
from service.ruleset import Ruleset, of_rules
from tests.service.fakes import least_resistance

CIRCUIT = b"""\
format: thumbrule/1
name: cold-frame-heater
ground: gnd
parts:
  V1: {kind: supply, voltage: 5 V, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 47R, pins: {a: rail, b: n1}}
  C1: {kind: capacitor, capacitance: 10 uF, pins: {plus: n1, minus: gnd}}
  R2: {kind: resistor, resistance: 1k0, pins: {a: n1, b: gnd}}
"""


@pytest.fixture
def rules(monkeypatch: pytest.MonkeyPatch) -> Ruleset:
    """One rule: at least 100 ohm in every resistor."""
    found = of_rules([least_resistance(100.0, "150 ohm")])
    monkeypatch.setattr(facade, "installed", lambda: found)
    return found


@pytest.fixture
def app(rules: Ruleset) -> Flask:
    return create_app()


@pytest.fixture
def client(app: Flask) -> FlaskClient:
    return app.test_client()
