"""The first line of a sheet: which regions are assumed, and what capacitors and contacts do."""

from __future__ import annotations

from rules.analysis.derivation.facts import Facts
from schemas.quantities import format_quantity

_WORDS = {"on": "conducts", "off": "is off", "active": "is active", "saturated": "is saturated",
          "reverse": "works backwards", "breakdown": "is in breakdown"}  # fmt: skip


def assumptions_of(facts: Facts) -> tuple[str, ...]:
    """Regions by device, then capacitors, contacts and drivers, each as a short sentence."""
    network = facts.state.mode.network
    lines = [f"{name} {_WORDS.get(region, region)}" for name, region in sorted(facts.state.devices.items())]
    idle = []
    for part in network.resolved.circuit.parts.values():
        if part.kind != "capacitor":
            continue
        if part.name in network.held:
            lines.append(f"{part.name} still holds {format_quantity(network.held[part.name], 'V', 4)}")
        else:
            idle.append(part.name)
    if idle:
        lines.append(f"{', '.join(idle)} {'draws' if len(idle) == 1 else 'draw'} no current")
    for datum in sorted(set(facts.datum.values())):
        free = sorted(net for net, counted in facts.datum.items() if counted == datum)
        if len(free) > 1:
            lines.append(f"{', '.join(free)} hang free: voltages there are counted from {datum}")
        else:
            lines.append(f"{datum} hangs free")
    positions = {**network.configuration.contacts, **network.configuration.drivers}
    lines.extend(f"{name} is {position}" for name, position in sorted(positions.items()))
    return tuple(lines)
