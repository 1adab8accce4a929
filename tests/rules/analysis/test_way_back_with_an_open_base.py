"""The way back where a base floats: at all points at once, and the same as at each point by itself."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rules.analysis import rearm_corners
from rules.analysis.delay_corners import delay_corners
from rules.analysis.rearm_corners import WayBack, seconds_at, worst_way
from rules.analysis.recovery import Recovery, recovery_of
from rules.analysis.study import Study
from schemas.document import load
from service.documents import read_document

BELL = Path(__file__).resolve().parents[3] / "clients/examples/frost-bell.yaml"
SHORTENING = 0.05


def bell_without(part: str) -> Study:
    """The frost bell with a part left out: without RB2 nothing holds the base of Q2 once Q1 is off."""
    raw: dict[str, Any] = dict(read_document(BELL.read_bytes(), None, BELL.name).raw)
    raw["parts"] = {name: value for name, value in raw["parts"].items() if name != part}
    return Study(load(raw))


def way_of(study: Study) -> tuple[Any, Recovery]:
    (delay,) = study.delays("typical")[0]
    way = recovery_of(study, "typical", delay, SHORTENING)
    assert isinstance(way, Recovery)
    return delay, way


def test_no_point_has_to_be_worked_out_by_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    study = bell_without("RB2")
    delay, way = way_of(study)

    def never(*_: object) -> float:
        raise AssertionError("a point was worked out by itself")

    monkeypatch.setattr(rearm_corners, "seconds_at", never)
    found = worst_way(study, delay, way, SHORTENING)
    assert found is not None
    there, _ = found.worked_out()
    assert isinstance(there, Recovery)
    assert there.seconds == pytest.approx(found.seconds, rel=1e-9)


@pytest.mark.parametrize("part", ["RB2", ""])
def test_all_points_at_once_and_each_by_itself(part: str) -> None:
    study = bell_without(part)
    delay, way = way_of(study)
    corners = delay_corners(study, delay)
    box, generator = corners.box, np.random.default_rng(5)
    points = box.low + (box.high - box.low) * generator.uniform(0.0, 1.0, (12, len(box.low)))
    back = WayBack(study, corners, way, SHORTENING)
    together = corners.ask(back.seconds, points).tolist()
    assert all(value > way.seconds / 3.0 for value in together)
    for row, seconds in zip(points, together, strict=True):
        assert seconds_at(study, delay, SHORTENING, corners.point(row)) == pytest.approx(seconds, rel=1e-9)
