"""The equations themselves, row by row, against the transport form written independently."""

from __future__ import annotations

import numpy as np
import pytest

from rules.analysis.configurations import configurations
from rules.analysis.junction.assembly import Assembly, assemble
from rules.analysis.resolve import resolve
from rules.analysis.states import start_betas
from rules.analysis.timeline.plant import Leak
from schemas.circuit import Circuit
from tests.builders import capacitor, circuit, coil, film, inductor, resistor, supply
from tests.timed_circuits import feeder, flasher, path_light
from tests.transport import Transport


def assembled(subject: Circuit, **more: object) -> Assembly:
    resolved = resolve(subject)
    rest = configurations(subject)[0][0]
    return assemble(resolved, rest, start_betas(resolved, "typical"), **more)  # type: ignore[arg-type]


def some_point(assembly: Assembly, seed: int) -> np.ndarray:
    """Voltages with junctions anywhere between far off and well on."""
    dice = np.random.default_rng(seed)
    x = np.zeros(assembly.size)
    x[: assembly.nodes] = dice.uniform(-0.35, 0.35, assembly.nodes)
    return x


@pytest.mark.parametrize(
    ("subject", "kelvin"),
    [(path_light(), 298.15), (flasher(), 298.15), (feeder(), 298.15), (feeder(), 263.15), (feeder(), 333.15)],
)
def test_currents_and_charges_are_those_of_the_transport_form(subject: Circuit, kelvin: float) -> None:
    assembly = assembled(subject, temperature=kelvin)
    for seed in range(5):
        x = some_point(assembly, seed)
        oracle = Transport(subject, kelvin)
        # nets that an ideal source holds are unknowns there too: no source is known to this oracle
        oracle.known.update({net: float(x[assembly.nets.index(net)]) for net in oracle.known if net != "gnd"})
        rows = [assembly.nets.index(net) for net in oracle.nets]
        v = x[rows]
        # branch currents are zero at x: what a battery with a resistance feeds is not part of the comparison
        free = [k for k, net in enumerate(oracle.nets) if net != "vb"]
        left, jacobian = assembly.balance(x)
        assert left[rows][free] == pytest.approx(oracle.leaving(v)[free], rel=1e-6, abs=1e-12)
        columns = np.ix_(np.array(rows)[free], np.array(rows)[free])
        expected = oracle.differences(oracle.leaving, v)[np.ix_(free, free)]
        assert jacobian[columns] == pytest.approx(expected, rel=1e-5, abs=1e-9)
        _, capacitance = assembly.charge(x)
        assert capacitance[columns] == pytest.approx(
            oracle.storing(v)[np.ix_(free, free)], rel=1e-6, abs=1e-18
        )


def test_jacobians_are_derivatives() -> None:
    """With leakages of both kinds, a coil and a held capacitor."""
    subject = circuit(
        *path_light().parts.values(), coil("K1", "out", "gnd", 800.0, inductance=0.1), name="with a coil"
    )
    assembly = assembled(
        subject, icbo="limit", leaks={"C1": Leak(5e-6, 1e-6), "C2": Leak(1e-7)}, held={"C2": 0.1}
    )
    x = some_point(assembly, 11)
    functions = (
        (lambda y: assembly.balance(y)[0], assembly.balance(x)[1]),
        (lambda y: assembly.charge(y)[0], assembly.charge(x)[1]),
    )
    for rows, jacobian in functions:
        for k in range(assembly.size):
            step = np.zeros(assembly.size)
            step[k] = 1e-6
            slope = (rows(x + step) - rows(x - step)) / 2e-6
            assert jacobian[:, k] == pytest.approx(slope, rel=1e-4, abs=1e-9 * max(1.0, np.abs(slope).max()))


def test_held_stores_keep_their_values() -> None:
    subject = circuit(
        supply("V1", "vp", "gnd", 10.0),
        resistor("R1", "vp", "a", 1e3),
        capacitor("C1", "a", "gnd", 1e-6),
        inductor("X1", "a", "b", 1e-3),
        resistor("R2", "b", "gnd", 100.0),
        film("C2", "b", "vp", 1e-9),
    )
    assembly = assembled(subject, held={"C1": 4.0, "X1": 2e-3})
    left, jacobian = assembly.balance(np.zeros(assembly.size))
    x = np.linalg.solve(jacobian, -left)
    volts = dict(zip(assembly.nets, x.tolist(), strict=False))
    assert volts["a"] == pytest.approx(4.0, abs=1e-6)
    assert volts["b"] == pytest.approx(0.2, abs=1e-6)
    assert x[assembly.row("X1")] == pytest.approx(2e-3)
    # the supply feeds the coil and the capacitor: (10 V - 4 V)/1 k, of which 2 mA go on
    assert x[assembly.row("C1")] == pytest.approx(4e-3, abs=1e-8)


def test_a_part_without_a_current_of_its_own_has_no_row() -> None:
    with pytest.raises(ValueError, match="R9"):
        assembled(path_light()).row("R9")
