"""The workshop lamp with other values and with waivers."""

from __future__ import annotations

from pathlib import Path

ROOT = Path(__file__).parents[3]
EXAMPLES = ROOT / "clients" / "examples"
LAMP = (EXAMPLES / "workshop-lamp.yaml").read_text(encoding="utf-8")


def waiver(rule: str, *parts: str, expires: str = "2026-12-31", reason: str = "a dummy") -> str:
    about = f"reason: {reason}, owner: Anna, expires: {expires}"
    return f"- {{rule: {rule}, parts: [{', '.join(parts)}], {about}}}\n"


def lamp(*waivers: str, **values: str) -> str:
    """The workshop lamp with waivers and other values: ``lamp(R1="22k")``."""
    text = LAMP
    for name, value in values.items():
        old = next(line for line in text.splitlines() if line.startswith(f"  {name}:"))
        before, _, rest = old.partition("resistance: ")
        text = text.replace(old, f"{before}resistance: {value},{rest.partition(',')[2]}")
    return text + ("\nwaivers:\n" + "".join(waivers) if waivers else "\n")
