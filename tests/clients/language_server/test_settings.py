"""Settings: what is good is taken, what is not is told and left as it was."""

from __future__ import annotations

from typing import Any

import pytest

from clients.language_server.settings import NAMES, Settings, read_settings


def test_nothing_given_is_the_defaults() -> None:
    assert read_settings(None) == (Settings(), ())
    assert read_settings({}) == (Settings(), ())


@pytest.mark.parametrize("wrap", [False, True])
def test_every_setting_can_be_given(wrap: bool) -> None:
    given = {"remedies": False, "debounce": 40, "lessons": "http://127.0.0.1:8000", "hintState": "ringing",
             "hintValues": False, "policy": "bench.toml", "owner": "the bench", "diagnostics": "pull"}
    assert set(given) == set(NAMES)
    settings, told = read_settings({"thumbrule": given} if wrap else given)
    assert told == ()
    assert {name: getattr(settings, name) for name in NAMES} == given


def test_what_is_not_named_stays_and_null_takes_back() -> None:
    before = Settings(owner="pond", debounce=40)
    assert read_settings({"remedies": False}, before)[0] == Settings(False, 40, owner="pond")
    assert read_settings({"owner": None}, before)[0] == Settings(debounce=40)
    assert read_settings({"owner": ""}, before)[0].owner is None


@pytest.mark.parametrize(("given", "words"), [
    ({"remedy": True}, 'no setting "remedy"; nearest: remedies'),
    ({"zzz": 1}, 'no setting "zzz"'),
    ({"remedies": "yes"}, "remedies has to be true or false"),
    ({"debounce": True}, "debounce has to be a whole number"),
    ({"debounce": -1}, "debounce has to be a whole number"),
    ({"debounce": 1.5}, "debounce has to be a whole number"),
    ({"lessons": "file:///etc/hosts"}, "lessons has to be an address"),
    ({"lessons": "http://[oops"}, "lessons has to be an address"),
    ({"diagnostics": "both"}, "push or pull"),
    ({"owner": 3}, "owner has to be text"),
    ([1, 2], "have to be an object"),
])  # fmt: skip
def test_what_cannot_be_used_is_told_once_and_changes_nothing(given: Any, words: str) -> None:
    settings, told = read_settings(given)
    assert settings == Settings()
    assert len(told) == 1
    assert words in told[0]
