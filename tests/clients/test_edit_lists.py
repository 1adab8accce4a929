"""A list of objects that comes into a text: a member a line, and what comes later in the same way."""

from __future__ import annotations

import pytest

from clients.edit import patch_text
from schemas.document import parse_text

TEXT = "name: pond-lamp\nparts: {R1: {kind: resistor}}  # one\n"
WAIVER = {"rule": "preferred-values", "parts": ["R1"], "reason": "found at test: 470", "accepted": 0.41}
BLOCK = """\
waivers:
  - rule: preferred-values
    parts: [R1]
    reason: "found at test: 470"
    accepted: 0.41
"""


@pytest.mark.parametrize("newline", ["\n", "\r\n"])
def test_a_new_list_of_objects_is_written_as_a_block(newline: str) -> None:
    text = TEXT.replace("\n", newline)
    patched = patch_text(text, "yaml", [{"op": "add", "path": "/waivers", "value": [WAIVER]}])
    assert patched == text + BLOCK.replace("\n", newline)


def test_one_more_goes_below_it() -> None:
    other = {**WAIVER, "parts": ["R2"]}
    patched = patch_text(TEXT + BLOCK, "yaml", [{"op": "add", "path": "/waivers/-", "value": other}])
    assert patched == TEXT + BLOCK + BLOCK.removeprefix("waivers:\n").replace("R1", "R2")


def test_in_brackets_it_stays_in_brackets() -> None:
    patch = [{"op": "add", "path": "/waivers", "value": [WAIVER]}]
    for text, spelling in (("{name: pond-lamp}\n", "yaml"), ('{"name": "pond-lamp"}\n', "json")):
        patched = patch_text(text, spelling, patch)  # type: ignore[arg-type]
        assert patched.count("\n") == 1
        assert parse_text(patched, spelling)[0] == {"name": "pond-lamp", "waivers": [WAIVER]}  # type: ignore[arg-type]
