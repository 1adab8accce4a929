"""What an editor can set: read with care, because people type it by hand."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any, Literal
from urllib.parse import urlsplit

from clients.language_server.schedule import FIRST_DELAY
from schemas.problems import nearest_name, quoted, show

SECTION = "thumbrule"
MOST_DEBOUNCE = 5000  # ms


@dataclass(frozen=True, slots=True)
class Settings:
    """Each member is a setting of the same name in the section ``thumbrule``.

    ``debounce`` is in ms; ``diagnostics`` says who starts: the server
    (``push``) or the editor (``pull``, read once at the start).
    """

    remedies: bool = True
    debounce: int = round(FIRST_DELAY * 1e3)
    lessons: str | None = None
    hintState: str | None = None
    hintValues: bool = True
    policy: str | None = None
    owner: str | None = None
    diagnostics: Literal["push", "pull"] = "push"


OF_THE_EDITOR = ("command", "files", "trace")
"""Settings in the same section that an editor keeps for itself; they are no mistake."""
NAMES = tuple(item.name for item in fields(Settings))
_BOOLEANS = ("remedies", "hintValues")


def read_settings(given: Any, before: Settings | None = None) -> tuple[Settings, tuple[str, ...]]:
    """The settings, and a sentence for each one that cannot be used.

    ``given`` is the section itself or an object that has it; what it does not
    name is as it was ``before``.  Never raises.
    """
    base = before or Settings()
    if isinstance(given, Mapping) and isinstance(given.get(SECTION), Mapping):
        given = given[SECTION]
    if given is None:
        return base, ()
    if not isinstance(given, Mapping):
        return base, (f"the settings have to be an object with members, seen: {show(given)}",)
    told: list[str] = []
    made = {name: getattr(base, name) for name in NAMES}
    for name, value in given.items():
        if name in OF_THE_EDITOR:
            continue
        if name not in NAMES:
            nearest = nearest_name(str(name), NAMES)
            hint = f"; nearest: {nearest}" if nearest else ""
            told.append(f"there is no setting {quoted(str(name))}{hint}")
            continue
        if value is None:
            made[name] = getattr(Settings(), name)
            continue
        needed = _needed(name, value)
        if needed:
            told.append(f"the setting {name} has to be {needed}, seen: {show(value)}")
        else:
            made[name] = value or None if isinstance(value, str) else value
    return Settings(**made), tuple(told)


def _needed(name: str, value: Any) -> str:
    """What a value of this setting has to be, or nothing when it is."""
    if name in _BOOLEANS:
        return "" if isinstance(value, bool) else "true or false"
    if name == "debounce":
        whole = isinstance(value, int) and not isinstance(value, bool)
        return "" if whole and 0 <= value <= MOST_DEBOUNCE else f"a whole number of ms, 0 to {MOST_DEBOUNCE}"
    if name == "diagnostics":
        return "" if value in ("push", "pull") else "push or pull"
    if not isinstance(value, str):
        return "text"
    return "" if name != "lessons" or not value or _is_address(value) else "an address with http:// or https://"


def _is_address(text: str) -> bool:
    try:
        parts = urlsplit(text)
    except ValueError:
        return False
    return parts.scheme in ("http", "https") and bool(parts.netloc)
