"""Generated requests against the OpenAPI document: no crash, no undocumented status, no wrong shape."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
import schemathesis
from hypothesis import HealthCheck, settings
from schemathesis import checks

from service import facade
from service.http.app import create_app
from service.ruleset import of_rules
from tests.service.fakes import least_resistance

# The coverage phase would walk every branch of the circuit schema, for five media types each: minutes.
BOUNDED = schemathesis.Config.from_dict({"phases": {"coverage": {"enabled": False}}})
with_body = schemathesis.openapi.from_wsgi("/openapi.json", create_app(), config=BOUNDED).include(
    method="POST"
)
without_body = schemathesis.openapi.from_wsgi("/openapi.json", create_app()).include(method="GET")
relaxed = settings(
    max_examples=12,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much, HealthCheck.data_too_large],
)


@pytest.fixture(autouse=True, scope="module")
def _small_rule_set() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        found = of_rules([least_resistance(100.0, "150 ohm")])
        patch.setattr(facade, "installed", lambda: found)
        yield


@with_body.parametrize()
@relaxed
def test_posts_keep_their_contract(case: schemathesis.Case) -> None:
    # A document may fit the JSON Schema and still not be a circuit (a pin on no net, an unknown part type):
    # that is a 422, so data that fits the schema need not be accepted.
    case.call_and_validate(excluded_checks=[checks.positive_data_acceptance])


@without_body.parametrize()
@relaxed
def test_gets_keep_their_contract(case: schemathesis.Case) -> None:
    case.call_and_validate()
