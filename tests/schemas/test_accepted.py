"""Every accepted spelling gives its value, exactly."""

from __future__ import annotations

from typing import Any

import pytest

from schemas.circuit import Beta, Leakage, Tolerance
from schemas.document import dump, load, parse_text, read
from tests.schemas.corpus import ACCEPTED, GOOD_JSON, GOOD_YAML, Good


def at(good: Good) -> Any:
    circuit = read(good.text.encode(), "yaml").circuit
    _, section, *rest = good.pointer.split("/")
    value: Any = getattr(circuit, section)
    for token in rest:
        value = value[int(token)] if isinstance(value, tuple) else value
        if isinstance(value, dict) or hasattr(value, "keys"):
            value = value[token]
        elif hasattr(value, "values") and not isinstance(value, tuple) and token in value.values:
            value = value.values[token]
        elif hasattr(value, token):
            value = getattr(value, token)
    return value


@pytest.mark.parametrize("good", ACCEPTED, ids=str)
def test_the_value_is_exact(good: Good) -> None:
    value = at(good)
    if isinstance(value, Tolerance):
        value = [value.low, value.high]
    elif isinstance(value, Leakage):
        value = [value.current, value.per_cv]
    elif isinstance(value, Beta):
        value = [value.minimum, value.typical, value.maximum]
    assert value == good.value
    assert type(value) is type(good.value)
    assert str(value) == str(good.value)  # tells 0.0 from -0.0


@pytest.mark.parametrize("good", ACCEPTED, ids=str)
def test_load_dump_load_is_the_same(good: Good) -> None:
    circuit = read(good.text.encode(), "yaml").circuit
    plain = dump(circuit)
    assert load(plain) == circuit
    assert dump(load(plain)) == plain
    assert list(dump(load(plain))) == list(plain)


def test_both_spellings_of_the_document_are_the_same() -> None:
    of_yaml = read(GOOD_YAML.encode(), "yaml")
    of_json = read(GOOD_JSON.encode(), "json")
    assert of_yaml.circuit == of_json.circuit
    assert of_yaml.raw == of_json.raw == parse_text(GOOD_YAML, "yaml")[0]
    assert (of_yaml.spelling, of_json.spelling) == ("yaml", "json")
