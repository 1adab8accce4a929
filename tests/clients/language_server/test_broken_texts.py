"""Mutated texts: whatever is missing or too much, every feature answers, with ranges inside the text."""

from __future__ import annotations

import json
import random
from pathlib import Path

import pytest
from lsprotocol import types as lsp

import clients
from clients.language_server.completion import complete
from clients.language_server.hints import hints
from clients.language_server.hover import hover
from clients.language_server.rename import CannotRename, highlights, references, rename
from clients.language_server.snapshot import Snapshot, take
from clients.language_server.symbols import document_symbols
from service.timelines import study_of

EXAMPLES = sorted(path for path in (Path(clients.__file__).parent / "examples").iterdir()
                  if path.suffix in (".json", ".yaml"))
JUNK = "{}[]:,\"'#&*!|>-\n\t  \r\\%@`\ufeff\u00b5\u03a9\U0001f4a1\x00\ud800a1"
MUTANTS = 60


def mutated(text: str, chance: random.Random) -> str:
    """One to four characters or stretches more, fewer or other than in ``text``."""
    for _ in range(chance.randint(1, 4)):
        at = chance.randrange(len(text) + 1)
        kind = chance.randrange(5)
        if kind == 0:
            text = text[:at] + chance.choice(JUNK) + text[at:]
        elif kind == 1:
            text = text[:at] + text[at + chance.choice((1, 1, 2, 5, 40, 300)):]
        elif kind == 2:
            text = text[:at] + chance.choice(JUNK) + text[at + 1:]
        elif kind == 3:
            start = chance.randrange(len(text) + 1)
            text = text[:at] + text[start:start + chance.randint(1, 200)] + text[at:]
        else:
            text = text[:at]
    return text


def inside(snapshot: Snapshot, reach: lsp.Range) -> None:
    """A range of the client that leads back to itself: it names real places of the text."""
    start, end = snapshot.lines.span_of(reach)
    assert snapshot.lines.range_of(start, end) == reach


@pytest.mark.parametrize("spelling", ["own", "json"])
@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_every_feature_answers(path: Path, spelling: str) -> None:
    chance = random.Random(f"{path.name} {spelling}")
    good = take(path.as_uri(), 1, path.read_text(encoding="utf-8"))
    assert good.circuit is not None
    study = study_of(good.circuit)
    text, uri = good.text, path.as_uri()
    if spelling == "json":
        text, uri = json.dumps(good.raw, indent=2), "file:///x.json"
    refused = 0
    for _ in range(MUTANTS):
        snapshot = take(uri, 2, mutated(text, chance))
        assert bool(snapshot.problems) != (snapshot.document is not None)
        for symbol in document_symbols(snapshot):
            inside(snapshot, symbol.range)
        for hint in hints(snapshot, study):
            inside(snapshot, lsp.Range(hint.position, hint.position))
        for offset in [chance.randrange(len(snapshot.text) + 1) for _ in range(6)]:
            for item in complete(snapshot, offset, good=good.circuit, snippets=True).items:
                assert isinstance(item.text_edit, lsp.TextEdit)
                inside(snapshot, item.text_edit.range)
            found = hover(snapshot, offset, study, most=0)
            if found is not None and found.range is not None:
                inside(snapshot, found.range)
            for place in references(snapshot, offset):
                inside(snapshot, place.range)
            highlights(snapshot, offset)
            try:
                rename(snapshot, offset, "zz.9")
            except CannotRename as why:
                refused += bool(str(why))
    assert refused > MUTANTS


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_a_text_that_is_mended_is_whole_again(path: Path) -> None:
    """What a broken version left behind does not show in the next one."""
    chance = random.Random(path.name)
    text = path.read_text(encoding="utf-8")
    first = take(path.as_uri(), 1, text)
    outline = document_symbols(first)
    for version in range(2, 12):
        document_symbols(take(path.as_uri(), version, mutated(text, chance)))
        again = take(path.as_uri(), version + 1, text)
        assert again.problems == ()
        assert document_symbols(again) == outline
