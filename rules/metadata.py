"""What a rule has to say about itself before it may run."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Any

from rules.contract import API_LEVEL, Lesson
from schemas.finding import Grounds, Limit

LESSON_TEXTS = ("why", "breaks", "mend", "failing", "passing")
SLUG = re.compile(r"[a-z]+(?:-[a-z]+)*\Z")


def complaints_about(rule: Any, name: str | None = None) -> list[str]:
    """What is missing or wrong in a rule's metadata; empty when the rule is fit to run."""
    if isinstance(rule, type):
        return [f"the entry point names the class {rule.__name__}; it has to name an instance"]
    found: list[str] = []
    slug = getattr(rule, "slug", None)
    if not isinstance(slug, str) or not SLUG.match(slug):
        found.append(f"slug {slug!r} is not lower-case words joined by hyphens")
    elif name is not None and slug != name:
        found.append(f"its slug is {slug!r}, but the entry point is named {name!r}")
    level = getattr(rule, "api_level", None)
    if isinstance(level, bool) or not isinstance(level, int) or not 1 <= level <= API_LEVEL:
        found.append(f"api_level is {level!r}; this engine runs 1 to {API_LEVEL}")
    found.extend(_blank(rule, ("title", "protects"), ""))
    if not callable(getattr(rule, "check", None)):
        found.append("check is missing")
    found.extend(_grounds(getattr(rule, "grounds", None)))
    found.extend(_limits(getattr(rule, "limits", None)))
    lesson = getattr(rule, "lesson", None)
    if isinstance(lesson, Lesson):
        found.extend(_blank(lesson, LESSON_TEXTS, "lesson."))
    else:
        found.append("lesson is missing")
    return found


def _blank(holder: Any, names: tuple[str, ...], prefix: str) -> list[str]:
    given = ((name, getattr(holder, name, None)) for name in names)
    return [
        f"{prefix}{name} is empty" for name, text in given if not isinstance(text, str) or not text.strip()
    ]


def _grounds(grounds: Any) -> list[str]:
    if not isinstance(grounds, Grounds):
        return ["grounds are missing"]
    found = _blank(grounds, ("rule_of_thumb", "formula", "source", "holds", "fails"), "grounds.")
    symbols = grounds.symbols
    if not isinstance(symbols, Mapping) or not symbols:
        found.append("grounds.symbols is empty")
    elif not all(
        isinstance(key, str) and isinstance(text, str) and text.strip() for key, text in symbols.items()
    ):
        found.append("grounds.symbols has a symbol without a meaning")
    return found


def _limits(limits: Any) -> list[str]:
    if not isinstance(limits, Mapping):
        return ["limits are missing"]
    found = []
    for key, limit in limits.items():
        if not isinstance(limit, Limit):
            found.append(f"limit {key!r} is not a Limit")
            continue
        # what a plugin wrote may be of any type, whatever the annotations say
        name, value, unit, source = (getattr(limit, member) for member in ("name", "value", "unit", "source"))
        if name != key:
            found.append(f"limit {key!r} names itself {name!r}")
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
            found.append(f"limit {key!r} has no finite value")
        if not isinstance(source, str) or not source.strip():
            found.append(f"limit {key!r} has no source")
        if not isinstance(unit, str):
            found.append(f"limit {key!r} has no unit")
    return found
