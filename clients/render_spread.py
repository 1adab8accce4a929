"""How far a circuit spreads over its tolerances, as aligned tables of at most 80 columns."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from clients.layout import Align, table, wrap
from clients.render import join, plural
from clients.render_values import quantity

_HEAD = ("nominal", "0.5 %", "50 %", "99.5 %", "least", "greatest", "+/- RSS")
_ALIGN: tuple[Align, ...] = ("<", ">", ">", ">", ">", ">", ">", ">")
STEADY = 1e-6  # of a value, or V; a net that moves less over all tolerances is told in one line


def spread_text(answer: Mapping[str, Any], *, title: str | None = None) -> str:
    """States, voltages, delays, and the yield of the requirements."""
    lines = wrap(f"{answer.get('circuit', '')}" + (f": {title}" if title else ""), rest="  ")
    done, asked = answer.get("samples", 0), answer.get("asked", 0)
    count = f"{done} samples" if done == asked else f"ONLY {done} of {asked} samples"
    varied = plural(len(answer.get("varied") or ()), "value")
    lines += wrap(f"{count}, seed {answer.get('seed', '')}; {varied} drawn, {answer.get('distribution', '')}",
                  first="  ", rest="  ")
    for reason in answer.get("problems") or ():
        lines += wrap(str(reason), first="  - ", rest="    ")
    lines += _states(answer.get("states") or (), done)
    lines += _voltages(answer)
    lines += _delays([item for item in answer.get("quantities") or () if item.get("kind") == "delay"])
    lines += _yields(answer)
    assumed = answer.get("assumed") or ()
    if assumed:
        lines += ["", *wrap(f"{plural(len(assumed), 'value')} assumed; `thumbrule review` lists them")]
    return join(lines)


def place(item: Mapping[str, Any]) -> str:
    """``lit (S1 closed, C1 at 0 V)``."""
    words = [f"{part} {position}" for key in ("contacts", "drivers")
             for part, position in (item.get(key) or {}).items()]
    words += [f"{part} at {quantity(volts, 'V')}" for part, volts in (item.get("held") or {}).items()]
    return f"{item.get('state', '')}" + (f" ({', '.join(words)})" if words else "")


def percent(share: Any) -> str:
    """A share in per cent; what is not quite all or nothing never reads as it."""
    if not isinstance(share, (int, float)):
        return "undefined"
    value = 100.0 * share
    text = f"{value:.1f}"
    if text == "100.0" and value < 100.0:
        text = "99.9"
    if text == "0.0" and value > 0.0:
        text = "0.1"
    return f"{text.removesuffix('.0')} %"


def interval(item: Mapping[str, Any]) -> str:
    return f"{percent(item.get('low'))} to {percent(item.get('high'))}"


def _states(states: Sequence[Mapping[str, Any]], done: Any) -> list[str]:
    if not states:
        return []
    rows = [[place(item), f"{item.get('found', 0)} of {done}", percent(item.get("share")), interval(item)]
            for item in states]
    head = ["", "samples", "share", "sure to 95 %"]
    return ["", "states", *table(rows, head=head, align=("<", ">", ">", ">"), indent="  ")]


def _voltages(answer: Mapping[str, Any]) -> list[str]:
    """One table for each state in each position."""
    groups: dict[str, list[Mapping[str, Any]]] = {}
    for item in answer.get("quantities") or ():
        if item.get("kind") == "net-voltage":
            groups.setdefault(place(item), []).append(item)
    lines: list[str] = []
    for name, items in groups.items():
        moving = [item for item in items if not _steady(item)]
        lines += ["", *wrap(f"{name}, V", rest="  ")]
        lines += table([_row(item) for item in moving], head=["", *_HEAD], align=_ALIGN, indent="  ")
        lines += _notes(moving)
        still = [f"{item.get('name')} {quantity(item.get('nominal'), 'V')}"
                 for item in items if _steady(item)]
        if still:
            lines += wrap(", ".join(still), first="  steady: ", rest="    ")
    return lines


def _steady(item: Mapping[str, Any]) -> bool:
    worst = item.get("worst") or {}
    ends = [item.get(key) for key in ("low", "high")] + [worst.get(key) for key in ("low", "high")]
    known = [end for end in ends if isinstance(end, (int, float))]
    return bool(known) and max(known) - min(known) <= STEADY * max(1.0, *(abs(end) for end in known))


def _row(item: Mapping[str, Any], name: str | None = None) -> list[str]:
    worst = item.get("worst") or {}
    numbers = [item.get("nominal"), item.get("low"), item.get("median"), item.get("high"),
               worst.get("low"), worst.get("high"), item.get("root_sum_square")]
    return [str(item.get("name", "")) if name is None else name, *(number(value) for value in numbers)]


def number(value: Any) -> str:
    """Four figures without a unit; a dash where there is none."""
    if not isinstance(value, (int, float)):
        return "-"
    if abs(value) < 1e-9:
        return "0"
    if 1e-3 <= abs(value) < 1e4:
        digits = max(0, 3 - _power(value))
        return f"{value:.{digits}f}"
    return f"{value:.3e}"


def _power(value: float) -> int:
    return int(f"{abs(value):.3e}".partition("e")[2])


def _notes(items: Iterable[Mapping[str, Any]]) -> list[str]:
    """Why a least or greatest value is no proof; one line for all nets with the same reason."""
    reasons: dict[str, list[str]] = {}
    for item in items:
        note = str((item.get("worst") or {}).get("note") or "")
        if note:
            reasons.setdefault(note, []).append(str(item.get("name", "")))
    return [line for note, names in reasons.items()
            for line in wrap(f"{', '.join(names)}: {note}", first="    ", rest="      ")]


def _delays(delays: Sequence[Mapping[str, Any]]) -> list[str]:
    if not delays:
        return []
    lines = ["", "delays, s"]
    names = [f"{item.get('name')}: {item.get('state')}" for item in delays]
    lines += table([_row(item, name) for item, name in zip(delays, names, strict=True)],
                   head=["", *_HEAD], align=_ALIGN, indent="  ")
    for item, name in zip(delays, names, strict=True):
        worst = item.get("worst") or {}
        for end, word in (("low_corner", "least"), ("high_corner", "greatest")):
            if worst.get(end):
                lines += wrap(f"{name} {word} at {worst[end]}", first="    ", rest="      ")
        if item.get("never"):
            lines += wrap(f"{name}: never ends in {item['never']} samples", first="    ", rest="      ")
    return lines + _notes(delays)


def _yields(answer: Mapping[str, Any]) -> list[str]:
    done, lines = answer.get("samples", 0), []
    yields, left_out = answer.get("yields") or (), answer.get("left_out") or ()
    if yields:
        rows = [[str(item.get("requirement", "")), _window(item), f"{item.get('passed', 0)} of {done}",
                 percent(item.get("share")), interval(item)] for item in yields]
        head = ["", "wanted", "samples", "yield", "sure to 95 %"]
        lines = ["", "requirements", *table(rows, head=head, align=("<", "<", ">", ">", ">"), indent="  ")]
    if left_out:
        names = ", ".join(str(item.get("requirement", "")) for item in left_out)
        lines += ([] if yields else ["", "requirements"])
        lines += wrap(f"{names} ({left_out[0].get('reason', '')})", first="  not sampled: ", rest="    ")
    return lines


def _window(item: Mapping[str, Any]) -> str:
    unit = str(item.get("unit", ""))
    low, high = item.get("at_least"), item.get("at_most")
    if low is None:
        return f"up to {quantity(high, unit)}"
    if high is None:
        return f"from {quantity(low, unit)} up"
    return f"{quantity(low, unit)} to {quantity(high, unit)}"
