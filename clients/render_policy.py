"""A policy as plain text: what it changes, or every setting with its origin."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from clients.layout import wrap
from clients.render import join, plural
from schemas.quantities import format_quantity

Line = Mapping[str, Any]


def changes_text(answer: Line) -> str:
    """Only what differs from the rules as they are."""
    if not answer.get("files"):
        return join(wrap("no policy: the rules run as they are"))
    lines = wrap(f"policy: {', '.join(map(str, answer['files']))}", rest="  ")
    changed = [(text, origin) for _, made in _sections(answer) for text, origin, _ in made if origin]
    for text, origin in changed:
        lines += _line(text, origin)
    return join([*lines, plural(len(changed), "setting") + " by policy"])


def policy_text(answer: Line) -> str:
    """Every setting in effect, section by section."""
    files = [str(file) for file in answer.get("files") or ()]
    lines = ["files", *wrap(", ".join(files) or "none: no policy applies", first="  ", rest="  ")]
    for title, made in _sections(answer):
        lines += ["", title]
        for text, origin, fallback in made:
            lines += _line(text, origin or fallback)
    return join(lines)


def _line(text: str, origin: str) -> list[str]:
    return wrap(f"{text}  [{origin}]", first="  ", rest="      ")


def _sections(answer: Line) -> Iterator[tuple[str, Sequence[tuple[str, str, str]]]]:
    """Title and lines: text, origin where a policy set it, and what stands for the origin elsewhere."""
    derating, plugins = answer["derating"], answer["plugins"]
    yield "derating", [(f"profile = {derating['profile']}: {derating['title']}", *_origin(derating))]
    allowed = plugins["allowed"]
    every = "every installed distribution" if allowed is None else ", ".join(map(str, allowed)) or "none"
    yield "plugins", [(f"allowed = {every}", *_origin(plugins))]
    yield "series", [(f"{item['kind']} = {item['value']}", *_origin(item)) for item in answer["series"]]
    yield "rules", [(_rule(item), *_origin(item)) for item in answer["rules"]]
    yield "limits", [(_limit(item), *_origin(item)) for item in answer["limits"]]


def _rule(item: Line) -> str:
    if not item["runs"]:
        return f"{item['rule']}: not run, {item['reason']}"
    severity = f", every finding is told as {item['severity']}" if item["severity"] else ""
    return f"{item['rule']}: runs{severity}"


def _limit(item: Line) -> str:
    text = f"{item['rule']}: {item['limit']} = {format_quantity(item['value'], item['unit'])}"
    differs = item["value"] != item["default"]
    return text + (f" instead of {format_quantity(item['default'], item['unit'])}" if differs else "")


def _origin(item: Line) -> tuple[str, str]:
    """Where a policy set it, empty where none did; and the words for a default."""
    origin = item["origin"]
    place = f"{origin['file']}:{origin['line']}"
    source = origin["source"]
    if origin["kind"] == "profile":
        return f"profile {origin['profile']}, {place}: {source}", ""
    if origin["kind"] == "file":
        return place, ""
    return "", f"default: {source}" if source else "default"
