"""What a switched load does to the rail that a latch or timer stands on, and what is there to feed it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rules.analysis.coils import coil_names
from rules.analysis.latches.find import latches
from rules.analysis.resolve import SUPPLIES
from rules.analysis.standing import drawn, sources

if TYPE_CHECKING:
    from rules.analysis.study import Study

QUIET = 1e-6  # A


@dataclass(frozen=True, eq=False)
class Rail:
    """One source and its rail.

    ``step`` (A) is what its current changes by between situations, ``internal`` (ohm) its resistance where
    it is stated, ``coils`` what is inductive and switched, ``leads`` the nets of it that leave the box,
    ``bulk`` (F, least) the ``capacitors`` between the rails.
    """

    source: str
    step: float
    internal: float | None
    coils: tuple[str, ...]
    leads: tuple[str, ...]
    bulk: float
    capacitors: tuple[str, ...]

    @property
    def far(self) -> bool:
        """True for a supply that comes through a wire from elsewhere."""
        return bool(self.leads)


def disturbed(study: Study) -> tuple[str, ...]:
    """What a dip of the rail may set or reset: members of latches, transistors and capacitors that time."""
    found = {name for latch in latches(study) for name in latch.members}
    found |= {delay.timed.capacitor for delay in study.delays()[0]}
    return tuple(sorted(found))


def rails_of(study: Study) -> tuple[Rail, ...]:
    """Every battery and supply whose current changes between situations, by name."""
    made = []
    for name in sources(study.circuit):
        given = [drawn(s.state, (name,)) for s in study.situations()]
        amperes = [value for value in given if value is not None]
        step = max(amperes) - min(amperes) if amperes else 0.0
        if step > QUIET:
            made.append(_rail(study, name, step))
    return tuple(made)


def _rail(study: Study, name: str, step: float) -> Rail:
    circuit = study.circuit
    known = study.known(name, "resistance")
    internal = known.value if known is not None and known.origin == "declared" else None
    pins = circuit.parts[name].pins.values()
    leads = tuple(sorted(net for net in pins if net in circuit.nets and circuit.nets[net].wire is not None))
    coils = tuple(coil for coil in coil_names(circuit) if _switched(study, coil))
    found = bulk_capacitors(study)
    least = math.fsum(
        study.value(c, "capacitance") * (1.0 + study.value(c, "tolerance_low")) for c in found
    )
    return Rail(name, step, internal, coils, leads, least, found)


def bulk_capacitors(study: Study) -> tuple[str, ...]:
    """Capacitors from one rail to another."""
    rails = study.roles.rails
    return tuple(
        part.name
        for part in study.circuit.parts.values()
        if part.kind == "capacitor" and len(set(part.pins.values()) & rails) == 2
    )


def _switched(study: Study, coil: str) -> bool:
    pin = next(iter(study.circuit.parts[coil].pins))
    found = [abs(v) for s in study.situations() if (v := s.state.currents[coil][pin]) is not None]
    return bool(found) and max(found) - min(found) > QUIET


def rail_nets(study: Study, source: str) -> tuple[str, str]:
    """The nets (more positive first) between which a capacitor feeds what hangs on a source.

    That is the source itself, or the busiest net behind a contact, diode or inductor in its line.
    """
    circuit, rails = study.circuit, study.roles.rails
    part = circuit.parts[source]
    plus, minus = part.pins["plus"], part.pins["minus"]
    count = dict.fromkeys(sorted(rails), 0)
    for other in circuit.parts.values():
        for net in other.pins.values():
            if net in count and other.kind not in SUPPLIES:
                count[net] += 1
    hot = plus if minus == circuit.ground else minus
    others = {net for name in sources(circuit) for net in circuit.parts[name].pins.values()}
    behind = [net for net in count if net not in others and net != circuit.ground]
    if behind and len(sources(circuit)) == 1:
        hot = max([hot, *behind], key=lambda net: (count[net], net == hot, net))
    low = circuit.ground if circuit.ground in (plus, minus) else minus
    positive = study.value(source, "voltage") > 0.0
    return (hot, low) if (minus == circuit.ground) == positive else (low, hot)
