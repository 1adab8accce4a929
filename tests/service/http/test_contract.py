"""Generated requests against the OpenAPI document: no crash, no undocumented status, no wrong shape."""

from __future__ import annotations

import pytest
import schemathesis
from hypothesis import HealthCheck, settings
from schemathesis import checks

from service import facade
from service.http.app import create_app
from service.ruleset import of_rules
from tests.service.fakes import least_resistance

schema = schemathesis.openapi.from_wsgi("/openapi.json", create_app())


@pytest.fixture(autouse=True, scope="module")
def _small_rule_set() -> None:
    with pytest.MonkeyPatch.context() as patch:
        found = of_rules([least_resistance(100.0, "150 ohm")])
        patch.setattr(facade, "installed", lambda: found)
        yield  # type: ignore[misc]


@schema.parametrize()
@settings(
    max_examples=30, derandomize=True, deadline=None, database=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much, HealthCheck.data_too_large],
)  # fmt: skip
def test_the_service_keeps_its_contract(case: schemathesis.Case) -> None:
    # A document may fit the JSON Schema and still say something that is not a circuit (two pins of one
    # resistor on an unknown net): that is a 422, so data that fits the schema need not be accepted.
    case.call_and_validate(excluded_checks=[checks.positive_data_acceptance])
