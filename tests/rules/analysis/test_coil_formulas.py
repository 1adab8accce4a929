"""The closed forms of coils: their derivation, worked numbers, and their domain."""

from __future__ import annotations

from collections.abc import Callable

import pytest
import sympy as sp

from rules.analysis.formulas.coils import broken_through, release_time, stored_energy

I0, I1, L, R, C, V, U, T = sp.symbols("I0 I1 L R C V U t", positive=True)
VALUES = {I0: 0.03, I1: 0.006, L: 0.6, R: 400.0, C: 150e-12, V: 0.7}


def number(expression: sp.Expr) -> float:
    return float(expression.subs(VALUES))


def test_all_energy_goes_into_the_stray_capacitance() -> None:
    (peak,) = sp.solve(sp.Eq(L * I0**2 / 2, C * U**2 / 2), U)
    assert broken_through(0.03, 0.6, 150e-12) == pytest.approx(number(peak))
    # worked example: 30 mA, 0.5 H, 150 pF make 1.7 kV; own sum
    assert broken_through(0.03, 0.5, 150e-12) == pytest.approx(1.7e3, rel=0.02)
    assert broken_through(0.0, 0.5, 150e-12) == 0.0


def test_energy_of_a_coil() -> None:
    assert stored_energy(0.6, 0.03) == pytest.approx(number(sp.integrate(L * T, (T, 0, I0))))


def test_release_is_the_solution_of_the_current_along_its_path() -> None:
    current = sp.Function("i")
    law = sp.Eq(L * current(T).diff(T), -R * current(T) - V)
    solved = sp.dsolve(law, current(T), ics={current(0): I0}).rhs
    seconds = release_time(0.6, 400.0, 0.03, 0.006, 0.7)
    assert number(solved.subs(T, seconds)) == pytest.approx(0.006, rel=1e-9)


@pytest.mark.parametrize(("against", "seconds"), [(0.7, 2.1e-3), (12.7, 0.74e-3)])
def test_a_zener_lets_it_go_sooner(against: float, seconds: float) -> None:
    """0.6 H, 400 ohm, 30 mA to 6 mA, with a diode and with a diode and a 12 V zener; own sum."""
    assert release_time(0.6, 400.0, 0.03, 0.006, against) == pytest.approx(seconds, rel=0.01)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: broken_through(-1.0, 0.5, 1e-12), "current must be finite and not negative"),
        (lambda: broken_through(1.0, 0.0, 1e-12), "inductance must be finite and above zero"),
        (lambda: broken_through(1.0, 0.5, 0.0), "stray must be finite and above zero"),
        (lambda: stored_energy(0.0, 1.0), "inductance must be finite and above zero"),
        (lambda: release_time(0.6, 0.0, 0.03, 0.006, 0.7), "resistance must be finite and above zero"),
        (lambda: release_time(0.6, 400.0, 0.03, 0.006, -0.7), "against must be finite and not negative"),
        (lambda: release_time(0.6, 400.0, 0.03, 0.03, 0.7), "release must be below start"),
    ],
)
def test_outside_the_domain_the_argument_is_named(call: Callable[[], float], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        call()
