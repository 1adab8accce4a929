"""Parts list and bench sheet as a page."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from clients.page import Block, Heading, Items, Paragraph, Style, Table, write
from clients.render_values import quantity

Json = Mapping[str, Any]


def bench_page(answer: Json, style: Style, title: str | None = None) -> str:
    """The whole sheet; ``title`` is the circuit's own."""
    name = str(answer.get("circuit", ""))
    return write(f"{name}: {title}" if title else name, _blocks(answer), style)


def _blocks(answer: Json) -> Iterator[Block]:
    yield Heading("Cautions")
    yield Items(tuple(str(text) for text in answer["cautions"]))
    yield Heading("Parts list")
    yield Paragraph(
        "What each part has to stand is the greatest over all states, runs and tolerances; what to buy is"
        " that divided by the share of a rating that may be in use."
    )
    yield Table(
        ("qty", "parts", "what", "has to stand", "so buy"),
        tuple(_line(line) for line in answer["parts"]),
        frozenset({0}),
    )
    others = [
        (f"{', '.join(line['parts'])}: ", str(line["alternative"]))
        for line in answer["parts"]
        if line["alternative"]
    ]
    if others:
        yield Heading("What else will do", 3)
        yield Items(tuple(lead + text for lead, text in others))
    yield Heading("Bringing it up")
    yield Items(tuple((str(step["do"]), str(step["expect"])) for step in answer["bring_up"]), True)
    yield Heading("Readings")
    yield Paragraph(_meter(answer))
    for state in answer["states"]:
        yield from _state(state)


def _line(line: Json) -> tuple[str, ...]:
    what = " ".join(str(text) for text in (line["kind"], line["value"]) if text)
    details = [str(text) for text in line["details"]]
    if line["series"]:
        details.append(str(line["series"]))
    stands, buy = [], []
    for rating in line["ratings"]:
        unit = str(rating["unit"])
        stands.append(f"{rating['what']} {quantity(rating['worst'], unit)}")
        stated = rating["stated"]
        if stated is None:
            buy.append(f"{quantity(rating['buy'], unit)}")
        elif rating["enough"]:
            buy.append(f"{quantity(stated, unit)} as stated")
        else:
            least = quantity(rating["least"], unit)
            buy.append(f"{rating['what']}: {least} needed, {quantity(stated, unit)} stated")
    return (str(line["quantity"]), ", ".join(line["parts"]), ", ".join([what, *details]),
            "; ".join(stands), "; ".join(buy))  # fmt: skip


def _meter(answer: Json) -> str:
    meter = answer["meter"]
    if meter["per_volt"] is not None:
        told = f"a pointer meter of {quantity(meter['per_volt'], 'ohm')} per volt of its range"
    else:
        told = f"a meter of {quantity(meter['resistance'], 'ohm')}"
    measured = [f"{name} measured at {quantity(volts, 'V')}" for name, volts in answer["measured"].items()]
    at = f" With {', '.join(measured)}." if measured else ""
    return (
        f"From each net to ground with {told}; expected with the meter connected, accepted within all"
        f" tolerances, from the supplies outwards.{at}"
    )


def _state(state: Json) -> Iterator[Block]:
    positions = {**state["contacts"], **state["drivers"]}
    where = ", ".join(f"{name} {to}" for name, to in positions.items())
    yield Heading(f"{state['name']} ({where})" if where else str(state["name"]), 3)
    words = [_first_up(str(state["how"]))]
    if state["held"]:
        held = ", ".join(f"{name} at {quantity(volts, 'V')}" for name, volts in state["held"].items())
        lasts = "without end" if state["lasts"] is None else quantity(state["lasts"], "s")
        words.append(f"it begins with {held} and lasts {lasts}")
    yield Paragraph("; ".join(words) + ".")
    ranged = any(reading["range"] is not None for reading in state["readings"])
    head = ("net", "expect", "accept", *(("range",) if ranged else ()), "remark", "read")
    yield Table(
        head,
        tuple(_reading(reading, ranged) for reading in state["readings"]),
        frozenset({1, 2}),
        len(head) - 1,
    )
    if state["currents"]:
        yield Items(tuple(_current(item) for item in state["currents"]))


def _first_up(text: str) -> str:
    return text[:1].upper() + text[1:]


def _reading(reading: Json, ranged: bool) -> tuple[str, ...]:
    expect = quantity(reading["shown"], "V")
    if reading["moves_to"] is not None:
        expect = f"{expect} on"
    band = ""
    if reading["low"] is not None:
        band = f"{quantity(reading['low'], 'V')} to {quantity(reading['high'], 'V')}"
    span = (quantity(reading["range"], "V") if reading["range"] is not None else "",) if ranged else ()
    return (str(reading["net"]), expect, band, *span, str(reading["advice"]), "")


def _current(item: Json) -> str:
    low, high = quantity(item["low"], "A"), quantity(item["high"], "A")
    return f"{item['source']} gives {quantity(item['expect'], 'A')}; accept {low} to {high}"
