"""Hover on a part, a value, a pin, a net, a state or a requirement.

``hover(snapshot, offset, study, *, most) -> Hover | None``.  ``study`` is that
of the circuit as it was last read (``service.timelines.study_of`` or the
engine's); without one the meaning of members and kinds is shown.  All numbers
are those of the states that ``thumbrule states`` prints.  With states at hand
an answer costs at most ``most`` worst cases of some milliseconds each.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Any

from lsprotocol import types as lsp

from clients.language_server.completion_words import shape_at
from clients.language_server.hover_numbers import MOST_BANDS, Numbers, Row
from clients.language_server.hover_roles import net_roles, part_roles
from clients.language_server.markdown import blocks, code, plain, table
from clients.language_server.partial import Path
from clients.language_server.snapshot import Snapshot
from clients.language_server.symbols import main_value
from schemas.kinds import KINDS
from schemas.layout import PARTS_BY_KIND, REQUIREMENTS_BY_KIND
from schemas.problems import covers, pointer
from schemas.quantities import format_quantity
from schemas.shapes import Leaf, Object

if TYPE_CHECKING:
    from rules.analysis.study import Study
    from schemas.circuit import Part

MOST_ASSUMED = 12


def hover(snapshot: Snapshot, offset: int, study: Study | None = None, *, most: int = MOST_BANDS,
          earlier: bool = False) -> lsp.Hover | None:
    """What stands at ``offset``; ``None`` where there is nothing to tell.

    ``earlier`` says that ``study`` is of an earlier version of the text: the answer tells so.
    """
    found = target(snapshot, offset)
    if found is None:
        return None
    path, is_key, start, end = found
    text = told(snapshot, path, is_key, study, most)
    if not text:
        return None
    if earlier and study is not None:
        text += "\n\nOf the last version that could be read."
    return lsp.Hover(lsp.MarkupContent(lsp.MarkupKind.Markdown, text), snapshot.lines.range_of(start, end))


def target(snapshot: Snapshot, offset: int) -> tuple[Path, bool, int, int] | None:
    """Path of what stands at ``offset``, whether its name is meant, and the span of the word."""
    spot = snapshot.partial.at(offset)
    if spot.role not in ("key", "value") or not spot.start <= offset <= spot.end or spot.start == spot.end:
        return None
    if spot.role == "key":
        return (*spot.path, snapshot.text[spot.start:spot.end]), True, spot.start, spot.end
    return spot.path, False, spot.start, spot.end


def told(snapshot: Snapshot, path: Path, is_key: bool, study: Study | None, most: int = MOST_BANDS) -> str:
    """The Markdown about the value, or member name, at a path; empty where there is nothing to tell."""
    if study is not None:
        numbers = Numbers(study, most)
        text = _computed(snapshot, path, is_key, numbers)
        if text:
            return text
    return blocks(*_documented(snapshot, path))


def _computed(snapshot: Snapshot, path: Path, is_key: bool, numbers: Numbers) -> str:
    if not path:
        return ""
    circuit, head = numbers.study.circuit, path[0]
    if head == "parts" and len(path) >= 2:
        part = circuit.parts.get(str(path[1]))
        if part is None:
            return ""
        if len(path) == 4 and path[2] == "pins" and path[3] in part.pins:
            net = part.pins[str(path[3])]
            if is_key or snapshot.partial.text_at(path) != net:
                return _pin(numbers, part, str(path[3]))
            return _net(numbers, net)
        if len(path) == 2 or path[2] in ("kind", "pins"):
            return _part(numbers, part)
        return _value(snapshot, numbers, part, path)
    name = str(path[-1]) if is_key else (snapshot.partial.text_at(path) or "")
    if _names_net(path) and name in circuit.net_names:
        return _net(numbers, name)
    if _names_part(path, is_key) and name in circuit.parts:
        return _part(numbers, circuit.parts[name])
    if (head == "states" and len(path) == 2) or (head == "requirements" and path[-1] == "state"):
        return _state(numbers, name)
    if head == "requirements" and len(path) >= 2 and isinstance(path[1], int):
        return _requirement(snapshot, numbers, path)
    return ""


def _names_net(path: Path) -> bool:
    return (path == ("ground",) or (path[0] == "nets" and len(path) == 2)
            or (path[0] == "requirements" and path[-1] == "net")
            or (path[0] == "waivers" and len(path) == 4 and path[2] == "nets"))


def _names_part(path: Path, is_key: bool) -> bool:
    return ((path[0] == "states" and len(path) == 3 and is_key)
            or (path[0] == "stimuli" and path[-1] == "part")
            or (path[0] == "waivers" and len(path) == 4 and path[2] == "parts"))


# --- parts, pins, nets -----------------------------------------------------------------------------------


def _title(part: Part) -> str:
    value = part.values.get(main_value(part.kind))
    parameter = KINDS[part.kind].parameter(main_value(part.kind))
    text = ""
    if isinstance(value, str):
        text = plain(value)
    elif isinstance(value, float) and parameter is not None:
        text = format_quantity(value, parameter.type)
    return f"**{plain(part.name)}** {plain(part.kind)} {text}".rstrip()


def _roles(roles: Iterable[str]) -> list[str]:
    return [f"- {plain(role)}" for role in roles]


def _part(numbers: Numbers, part: Part) -> str:
    head, rows = numbers.part(part)
    return blocks([_title(part)], _roles(part_roles(numbers.study, part)), table(head, rows), numbers.more(),
                  _basis(rows), list(_assumed(numbers.study, part.name)))


def _pin(numbers: Numbers, part: Part, pin: str) -> str:
    net = part.pins[pin]
    rows = numbers.pin(part.name, pin, net)
    return blocks([f"pin {code(f'{part.name}.{pin}')} on net **{plain(net)}**"],
                  table(("state", f"{plain(net)} against {plain(numbers.study.circuit.ground)}",
                         "current into the pin"), rows), numbers.more(), _basis(rows))


def _net(numbers: Numbers, net: str) -> str:
    circuit = numbers.study.circuit
    pins = [f"{part.name}.{pin}" for part in circuit.parts.values() for pin, on in part.pins.items()
            if on == net]
    rows = numbers.net(net)
    return blocks([f"net **{plain(net)}**: {', '.join(code(pin) for pin in sorted(pins))}"],
                  _roles(net_roles(numbers.study, net)),
                  table(("state", f"against {plain(circuit.ground)}"), rows), numbers.more(), _basis(rows))


def _basis(rows: Iterable[list[str]]) -> list[str]:
    banded = any(" to " in cell and cell.endswith(")") for row in rows for cell in row[1:])
    worst = "; in brackets the worst case of all tolerances" if banded else ""
    return [f"Typical gain, nominal values{worst}."]


def _assumed(study: Study, part: str) -> Iterator[str]:
    """The values of a part that nobody gave, and who vouches for them."""
    own = pointer(("parts", part))
    found = [item for item in study.resolved.assumed if covers(own, item.pointer)]
    if found:
        yield "Assumed:"
        yield ""
    for item in found[:MOST_ASSUMED]:
        value = _quantity(item.value, item.unit)
        yield f"- {plain(item.quantity.replace('_', ' '))} {plain(value)}: {plain(item.source)}"
    if len(found) > MOST_ASSUMED:
        yield f"- and {len(found) - MOST_ASSUMED} more"


def _quantity(value: Any, unit: str) -> str:
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return str(value)
    return format_quantity(float(value), "temperature" if unit == "K" else unit)


# --- values ----------------------------------------------------------------------------------------------


def _value(snapshot: Snapshot, numbers: Numbers, part: Part, path: Path) -> str:
    """One value of a part: its meaning, what it is taken as, where that came from, the part's numbers."""
    resolved = numbers.study.resolved
    name = str(path[-1])
    lines = []
    for suffix in ("", "_low", "_high", "_min", "_typical", "_max"):
        known = resolved.known(part.name, name + suffix)
        if known is not None:
            unit = "ratio" if known.unit == "" and "tolerance" in name else known.unit
            title, value = (name + suffix).replace("_", " "), _quantity(known.value, unit)
            source = f": {plain(known.source)}" if known.origin != "declared" else ""
            lines.append(f"- {plain(title)}: {plain(value)}, {known.origin}{source}")
    head, rows = numbers.part(part)
    roles = _roles(part_roles(numbers.study, part))
    return blocks([_title(part)], *_documented(snapshot, path), lines, roles,
                  table(head, rows), numbers.more(), _basis(rows))


def _documented(snapshot: Snapshot, path: Path) -> Iterator[list[str]]:
    """What a member or a kind means, from the tables of the document."""
    partial = snapshot.partial
    if not path:
        return
    if path[-1] == "kind":
        kind = partial.text_at(path) or ""
        if path[0] == "parts" and kind in KINDS:
            yield [f"**{kind}**: {plain(KINDS[kind].meaning)}"]
            pins = " or ".join(", ".join(pins) for pins in KINDS[kind].pins)
            yield [f"Pins: {plain(pins)}"]
            needs = [name for name in PARTS_BY_KIND[kind].required if name not in ("kind", "pins")]
            if needs:
                yield [f"Needs: {plain(', '.join(needs))}"]
        elif path[0] == "requirements" and kind in REQUIREMENTS_BY_KIND:
            needs = [name for name in REQUIREMENTS_BY_KIND[kind].required if name != "kind"]
            yield [f"**{kind}**: a requirement that needs {plain(', '.join(needs) or 'nothing more')}"]
        return
    holder = shape_at(partial, path[:-1])
    member = holder.members.get(str(path[-1])) if isinstance(holder, Object) else None
    if member is not None:
        takes = ""
        if isinstance(member.shape, Leaf):
            takes = ", ".join(member.shape.choices) or member.shape.type.replace("-", " ")
        meaning = member.meaning or str(path[-1]).replace("_", " ")
        yield [f"{code(path[-1])}: {plain(meaning)}" + (f" ({plain(takes)})" if takes else "")]


# --- states and requirements -----------------------------------------------------------------------------


def _state(numbers: Numbers, name: str) -> str:
    """Every place in which a state exists, with its regions and voltages."""
    study = numbers.study
    found = [row for row in numbers.rows if row.state.name == name]
    if not found:
        return blocks([f"state **{plain(name)}**"], ["No state of the circuit has these regions."])
    nets = study.circuit.net_names
    head = ["", *(row.title for row in found)]
    rows = [[code(device), *(row.state.devices[device] for row in found)]
            for device in found[0].state.devices]
    rows += [[plain(net), *(numbers.net_in(row, net, band=False) for row in found)] for net in nets]
    return blocks([f"state **{plain(name)}**"], table(head, rows), _basis([]))


def _requirement(snapshot: Snapshot, numbers: Numbers, path: Path) -> str:
    """What a requirement asks for, and what its state shows of it."""
    index = int(path[1])
    requirements = numbers.study.circuit.requirements
    if index >= len(requirements):
        return ""
    asked = requirements[index]
    limits = [f"{name.replace('_', ' ')} {snapshot.partial.text_at((*path[:2], name))}"
              for name in ("target", "within", "at_least", "at_most") if name in asked.values]
    state, net = asked.values.get("state"), asked.values.get("net")
    rows = [row for row in numbers.rows if row.state.name == state]
    lines = [f"- {line}" for line in _asked(numbers, asked.kind, str(net or ""), rows)]
    about = f"**{plain(asked.kind)}** {plain(asked.name or '')}".rstrip()
    where = f" in state {code(state)}" if state else ""
    return blocks([f"{about}{where}: {plain(', '.join(limits))}"], lines, _basis([]) if lines else [])


def _asked(numbers: Numbers, kind: str, net: str, rows: Iterable[Row]) -> Iterator[str]:
    for row in rows:
        if kind == "net-voltage" and net in numbers.study.circuit.net_names:
            yield f"{row.title}: {plain(net)} {numbers.net_in(row, net)}"
        elif kind in ("standing-current", "battery-life"):
            for part in numbers.study.circuit.parts.values():
                if part.kind in ("battery", "supply"):
                    yield f"{row.title}: {plain(part.name)} gives {numbers.given(row, part.name)}"
        else:
            yield row.title
