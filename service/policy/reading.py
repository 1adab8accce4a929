"""One policy file: bytes to settings.  Whether rules and limits of these names exist is asked later."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterator, Mapping
from typing import Any

from rules.analysis.preferred import SERIES
from schemas.finding import SEVERITIES
from schemas.problems import Complaint, Path, Problem, listed, nearest_name, pointer, quoted, show
from service.policy.model import SERIES_KINDS, Policy, PolicyRefused, Setting, plain_name
from service.policy.places import Place, nearest_place, places

MAX_BYTES = 256 << 10
TABLES = ("derating", "extends", "limits", "plugins", "rules", "series", "severity")
_WHERE = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)\Z")


def read_policy(data: bytes, file: str) -> tuple[Policy, tuple[Setting, ...]]:
    """The settings of one file and the paths that it extends.  ``file`` is its name as it is shown.

    Raises :class:`PolicyRefused` with every problem and its place.
    """
    text = _text(data, file)
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise PolicyRefused(file, [_malformed(str(error), text)]) from None
    except RecursionError:
        raise PolicyRefused(file, [Problem("", "lists or tables are nested too deep")]) from None
    sheet = _Sheet(raw, file, places(text))
    tables = dict(sheet.tables("limits"))
    policy = Policy(
        (file,),
        {(slug, name): s for slug, table in tables.items() for name, s in sheet.limits(slug, table)},
        {slug: sheet.setting(("limits", slug), slug) for slug in tables},
        dict(sheet.pairs("severity", _severity)),
        dict(sheet.pairs("series", _series)),
        sheet.texts("rules", "run"),
        sheet.texts("rules", "skip"),
        sheet.texts("plugins", "allowed"),
        sheet.text("derating", "profile"),
    )
    extends = sheet.texts("extends") or ()
    sheet.strangers()
    if sheet.problems:
        raise PolicyRefused(file, sheet.problems)
    return policy, extends


def _text(data: bytes, file: str) -> str:
    if len(data) > MAX_BYTES:
        said = f"{len(data)} bytes"
        raise PolicyRefused(file, [Problem("", "the file is too large", said, f"{MAX_BYTES >> 10} KiB")])
    try:
        return data.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        column = error.start - data.rfind(b"\n", 0, error.start)
        seen = " ".join(f"{byte:02x}" for byte in data[error.start : error.start + 4])
        broken = Problem("", "the file is not UTF-8 text", f"the bytes {seen}", "UTF-8", None, line, column)
        raise PolicyRefused(file, [broken]) from None


def _malformed(said: str, text: str) -> Problem:
    lines = text.splitlines() or [""]
    where = _WHERE.search(said)
    at_end = where is None or where.group(1) is None
    line = len(lines) if at_end else int(where.group(1))  # type: ignore[union-attr]
    column = len(lines[-1]) + 1 if at_end else int(where.group(2))  # type: ignore[union-attr]
    seen = lines[line - 1] if line <= len(lines) else ""
    reason = said[: where.start()] if where else said
    detail = f"this is not TOML: {reason[:1].lower()}{reason[1:]}"
    return Problem("", detail, quoted(seen.strip()), "TOML 1.0", None, line, column)


class _Sheet:
    """A parsed file, the places in it, and what is wrong with it so far."""

    def __init__(self, raw: Mapping[str, Any], file: str, found: Mapping[str, Place]) -> None:
        self.raw, self.file, self.places = raw, file, found
        self.problems: list[Problem] = []
        self._no_tables: set[str] = set()

    def setting(self, path: Path, value: Any) -> Setting:
        line, column = nearest_place(self.places, pointer(path)) or (1, 1)
        return Setting(value, self.file, line, column, pointer(path))

    def complain(self, path: Path, complaint: Complaint) -> None:
        self.problems.append(self.setting(path, None).problem(complaint))

    def _table(self, name: str) -> Mapping[str, Any]:
        found = self.raw.get(name, {})
        if isinstance(found, Mapping):
            return found
        if name not in self._no_tables:  # asked for once per member, told once
            self._no_tables.add(name)
            self.complain((name,), Complaint("a table is needed", seen=show(found), accepted=f"[{name}]"))
        return {}

    def tables(self, name: str) -> Iterator[tuple[str, Mapping[str, Any]]]:
        """The tables in a table: ``[limits.slug]``."""
        for key, value in self._table(name).items():
            if isinstance(value, Mapping):
                yield key, value
            else:
                form = f"[{name}.{key}] with the name of a limit = its value"
                self.complain((name, key), Complaint("a table is needed", seen=show(value), accepted=form))

    def limits(self, slug: str, table: Mapping[str, Any]) -> Iterator[tuple[str, Setting]]:
        seen: dict[str, str] = {}
        for name, value in table.items():
            path, plain = ("limits", slug, name), plain_name(name)
            first = seen.setdefault(plain, name)
            if first != name:
                self.complain(path, Complaint(f"the limit is set twice, also as {first}", seen=quoted(name)))
            elif isinstance(value, bool) or not isinstance(value, (int, float, str)):
                wanted = 'a number in the SI unit of the limit, or text with a unit such as "110 degC"'
                self.complain(path, Complaint("a quantity is needed", seen=show(value), accepted=wanted))
            else:
                yield plain, self.setting(path, value)

    def pairs(self, name: str, check: Callable[[str, Any], Any]) -> Iterator[tuple[str, Setting]]:
        """Key and value of a table, each pair checked."""
        for key, value in self._table(name).items():
            try:
                yield key, self.setting((name, key), check(key, value))
            except Complaint as complaint:
                self.complain((name, key), complaint)

    def texts(self, *path: str) -> tuple[Setting, ...] | None:
        """A list of texts, each with its own place; ``None`` where there is none."""
        holder = self.raw if len(path) == 1 else self._table(path[0])
        if path[-1] not in holder:
            return None
        found = holder[path[-1]]
        if not isinstance(found, list):
            wanted = '["...", "..."]'
            self.complain(path, Complaint("a list of texts is needed", seen=show(found), accepted=wanted))
            return None
        made = []
        for index, item in enumerate(found):
            if isinstance(item, str) and item.strip():
                made.append(self.setting((*path, index), item))
            else:
                self.complain((*path, index), Complaint("text is needed", seen=show(item), accepted='"..."'))
        return tuple(made)

    def text(self, *path: str) -> Setting | None:
        holder = self._table(path[0])
        found = holder.get(path[-1])
        if found is None or (isinstance(found, str) and found.strip()):
            return None if found is None else self.setting(path, found)
        self.complain(path, Complaint("text is needed", seen=show(found), accepted='"..."'))
        return None

    def strangers(self) -> None:
        """Keys that no policy has."""
        self._strange((), self.raw, TABLES)
        for name, keys in (("rules", ("run", "skip")), ("plugins", ("allowed",)), ("derating", ("profile",))):
            found = self.raw.get(name)
            if isinstance(found, Mapping):
                self._strange((name,), found, keys)

    def _strange(self, path: Path, found: Mapping[str, Any], known: tuple[str, ...]) -> None:
        for key in found:
            if key not in known:
                self.complain((*path, key), unknown("a policy has no such member", key, known))


def unknown(detail: str, word: str, known: tuple[str, ...]) -> Complaint:
    """A name that is not among those known."""
    accepted = listed(sorted(known), 60) or "none"
    return Complaint(detail, seen=quoted(word), accepted=accepted, nearest=nearest_name(word, sorted(known)))


def _severity(key: str, value: Any) -> str:
    if isinstance(value, str) and value in SEVERITIES:
        return value
    near = nearest_name(value, SEVERITIES) if isinstance(value, str) else None
    raise Complaint("a severity is needed", seen=show(value), accepted=listed(SEVERITIES), nearest=near)


def _series(key: str, value: Any) -> str:
    if key not in SERIES_KINDS:
        raise unknown("there are no preferred series for this", key, SERIES_KINDS)
    if isinstance(value, str) and value in SERIES:
        return value
    near = nearest_name(value, SERIES) if isinstance(value, str) else None
    wanted = f"{listed(SERIES)} (IEC 60063)"
    raise Complaint("a series of preferred values is needed", seen=show(value), accepted=wanted, nearest=near)
