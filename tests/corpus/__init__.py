"""The golden corpus: circuits with the findings and the silences that a careful designer expects.

``circuits/NAME.yaml`` is a circuit; ``expected/GROUP.yaml`` says for some of
them what a review has to find, written before the tool was asked:

```yaml
NAME:
  about: one line, what the circuit is and what is wrong or notable with it
  fires:                       # every finding that is expected; none for a clean circuit
    - {rule: led-current, parts: [D1], severity: error, why: ...}
  silent:                      # rules that must not fire here, though it looks as if they might
    - {rule: base-bleed, why: the driver holds the base at 0 V}
```

A finding that is not listed under ``fires`` is a false alarm.  ``parts`` are
those the finding has to name (it may name more); left out, any will do.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import yaml

HERE = Path(__file__).parent
SEVERITIES = ("error", "warning", "note")


@dataclass(frozen=True, slots=True)
class Expected:
    """One finding that has to be there."""

    rule: str
    parts: tuple[str, ...]
    severity: str
    why: str

    def is_met_by(self, finding: Mapping[str, Any]) -> bool:
        return (
            finding["rule"] == self.rule
            and finding["severity"] == self.severity
            and set(self.parts) <= {*finding["parts"], *finding["nets"]}
        )


@dataclass(frozen=True, slots=True)
class Case:
    """A circuit of the corpus and what is expected of it; ``silent`` maps rules to the reason."""

    name: str
    about: str
    path: Path
    fires: tuple[Expected, ...]
    silent: Mapping[str, str]

    @property
    def is_clean(self) -> bool:
        return not self.fires


@cache
def cases() -> tuple[Case, ...]:
    """Every case, sorted by name.  Raises ``ValueError`` for an entry that is not as it should be."""
    found: dict[str, Case] = {}
    for path in sorted((HERE / "expected").glob("*.yaml")):
        for name, entry in yaml.safe_load(path.read_text(encoding="utf-8")).items():
            if name in found:
                raise ValueError(f"{path.name}: {name} is expected twice")
            found[name] = _case(name, entry)
    return tuple(found[name] for name in sorted(found) if found[name].path.exists())


def unmatched() -> tuple[str, ...]:
    """Circuits without an expectation, and expectations without a circuit."""
    circuits = {path.stem for path in (HERE / "circuits").glob("*.yaml")}
    files = (HERE / "expected").glob("*.yaml")
    expected = (yaml.safe_load(path.read_text(encoding="utf-8")) for path in files)
    return tuple(sorted(circuits ^ {name for entries in expected for name in entries}))


def _case(name: str, entry: Mapping[str, Any]) -> Case:
    unknown = set(entry) - {"about", "fires", "silent"}
    if unknown:
        raise ValueError(f"{name}: unknown members {', '.join(sorted(unknown))}")
    fires = []
    for item in entry.get("fires") or ():
        if set(item) - {"rule", "parts", "severity", "why"} or item["severity"] not in SEVERITIES:
            raise ValueError(f"{name}: {item}")
        fires.append(Expected(item["rule"], tuple(item.get("parts") or ()), item["severity"], item["why"]))
    silent = {item["rule"]: item["why"] for item in entry.get("silent") or ()}
    return Case(name, entry["about"], HERE / "circuits" / f"{name}.yaml", tuple(fires), silent)


@dataclass(frozen=True, slots=True)
class Score:
    """How a review compares with what is expected, finding by finding."""

    met: tuple[tuple[Expected, Mapping[str, Any]], ...]
    missed: tuple[Expected, ...]
    false_alarms: tuple[Mapping[str, Any], ...]


def score(case: Case, findings: list[Mapping[str, Any]]) -> Score:
    """Every expected finding takes the first finding that meets it; what is left over is a false alarm."""
    left = list(findings)
    met: list[tuple[Expected, Mapping[str, Any]]] = []
    missed: list[Expected] = []
    # the most particular expectation first, so that a loose one does not take its finding
    for expected in sorted(case.fires, key=lambda item: -len(item.parts)):
        taken = next((finding for finding in left if expected.is_met_by(finding)), None)
        if taken is None:
            missed.append(expected)
        else:
            left.remove(taken)
            met.append((expected, taken))
    return Score(tuple(met), tuple(missed), tuple(left))
