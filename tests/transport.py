"""Circuits with exponential junctions once more, in transport form, independent of the package.

Gummel and Poon's transport form of the Ebers-Moll model (from memory):

    I_CT = I_S (exp(v_BE/V_T) - exp(v_BC/V_T))
    I_B = I_S/B_F (exp(v_BE/V_T) - 1) + I_S/B_R (exp(v_BC/V_T) - 1)

Nets that an ideal supply or a driver ties to the reference are known; the others are the unknowns
of C(v) dv/dt = -f(v).  Jacobians are taken by differences.  Knows resistors, loads, coils, capacitors,
diodes, LEDs, NPN, PNP, supplies, batteries and contacts, one end of a source at the reference.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from rules.analysis.junction import model
from schemas.circuit import Beta, Circuit, Part

Array = NDArray[np.float64]
K_OVER_Q = 1.380649e-23 / 1.602176634e-19  # V/K, SI of 2019
SATURATION, REVERSE_BETA, WARM = 1e-14, 4.0, 298.15


def exponential(x: float) -> float:
    """exp(x) up to 80, more than any solution needs: trial steps of an integration go far out."""
    return float(np.exp(min(x, 80.0)))


@dataclass
class Transport:
    circuit: Circuit
    kelvin: float = WARM
    closed: frozenset[str] = frozenset()
    held: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.known = {self.circuit.ground: 0.0}
        for part in self.circuit.parts.values():
            if part.kind in ("supply", "battery") and not part.number("resistance"):
                assert part.pins["minus"] == self.circuit.ground
                self.known[part.pins["plus"]] = part.number("voltage") or 0.0
        for name, volts in self.held.items():
            first, second = self.circuit.parts[name].pins.values()
            assert second == self.circuit.ground or "minus" in self.circuit.parts[name].pins
            plus = self.circuit.parts[name].pins.get("plus", first)
            self.known[plus] = volts
        self.nets = [net for net in self.circuit.net_names if net not in self.known]
        self.index = {net: k for k, net in enumerate(self.nets)}
        self.v_t = K_OVER_Q * self.kelvin
        ratio = self.kelvin / WARM
        self.i_s = SATURATION * ratio**3 * np.exp(1.12 / K_OVER_Q * (1.0 / WARM - 1.0 / self.kelvin))
        self.gain = ratio**1.5

    def volts(self, v: Array, net: str) -> float:
        return self.known[net] if net in self.known else float(v[self.index[net]])

    def leaving(self, v: Array) -> Array:
        """A that leaves each unknown net."""
        out = np.zeros(len(self.nets))

        def flow(a: str, b: str, amperes: float) -> None:
            if a in self.index:
                out[self.index[a]] += amperes
            if b in self.index:
                out[self.index[b]] -= amperes

        def across(a: str, b: str) -> float:
            return self.volts(v, a) - self.volts(v, b)

        for part in self.circuit.parts.values():
            self._part(part, flow, across)
        return out

    def _part(
        self, part: Part, flow: Callable[[str, str, float], None], across: Callable[[str, str], float]
    ) -> None:
        ends = list(part.pins.values())
        if part.kind in ("resistor", "load", "coil"):
            flow(*ends, across(*ends) / (part.number("resistance") or 0.0))
        elif part.kind in ("supply", "battery"):
            resistance, plus, minus = part.number("resistance"), part.pins["plus"], part.pins["minus"]
            if resistance:
                flow(plus, minus, (across(plus, minus) - (part.number("voltage") or 0.0)) / resistance)
        elif part.kind == "contact" and part.name in self.closed:
            flow(*ends, across(*ends) / 1e-3)
        elif part.kind in ("diode", "led"):
            anode, cathode = part.pins["anode"], part.pins["cathode"]
            flow(anode, cathode, self.diode(part, across(anode, cathode)))
        elif part.kind in ("npn", "pnp"):
            sign = 1.0 if part.kind == "npn" else -1.0
            c, b, e = (part.pins[pin] for pin in ("collector", "base", "emitter"))
            base, collector = self.transistor(part, sign * across(b, e), sign * across(b, c))
            flow(c, e, sign * collector)
            flow(b, e, sign * base)

    def transistor(self, part: Part, v_be: float, v_bc: float) -> tuple[float, float]:
        """Base and collector current in A of an NPN."""
        beta = part.values["beta"]
        assert isinstance(beta, Beta)
        assert beta.typical is not None
        forward, reverse = (self.i_s * (exponential(v / self.v_t) - 1.0) for v in (v_be, v_bc))
        return (
            forward / (beta.typical * self.gain) + reverse / REVERSE_BETA,
            forward - reverse - reverse / REVERSE_BETA,
        )

    def diode(self, part: Part, v: float) -> float:
        """10 mA at the forward drop; at 25 degC only."""
        assert self.kelvin == WARM
        n = 2.0 if part.kind == "led" else 1.8
        forward = part.number("forward") or (2.0 if part.kind == "led" else 0.7)
        return 10e-3 * (exponential((v - forward) / (n * self.v_t)) - exponential(-forward / (n * self.v_t)))

    def rest(self, start: Mapping[str, float]) -> dict[str, float]:
        """The point of rest by damped Newton from voltages close to it (steps of 10 mV at most)."""
        v = np.array([start[net] for net in self.nets])
        for _ in range(400):
            f = self.leaving(v)
            jacobian = self.differences(self.leaving, v)
            rows = np.abs(jacobian).max(axis=1)
            step = np.linalg.solve(jacobian / rows[:, None], -f / rows)
            v = v + step * min(1.0, 10e-3 / max(np.abs(step).max(), 1e-300))
            if np.abs(step).max() < 1e-11:
                return {**self.known, **dict(zip(self.nets, v.tolist(), strict=True))}
        raise AssertionError("the independent solver did not settle")

    @staticmethod
    def differences(f: Callable[[Array], Array], v: Array) -> Array:
        """Central differences, 1 uV to each side."""
        columns = []
        for k in range(len(v)):
            step = np.zeros(len(v))
            step[k] = 1e-6
            columns.append((f(v + step) - f(v - step)) / 2e-6)
        return np.array(columns).T

    # --- in time -------------------------------------------------------------------------------------------

    def storing(self, v: Array) -> Array:
        """C(v) in F: the capacitors, 1 pF at each net, constant and diffusion capacitances of junctions."""
        matrix = np.eye(len(self.nets)) * model.NODE_CAPACITANCE

        def two(a: str, b: str, farads: float) -> None:
            for one, other in ((a, b), (b, a)):
                if one in self.index:
                    matrix[self.index[one], self.index[one]] += farads
                    if other in self.index:
                        matrix[self.index[one], self.index[other]] -= farads

        for part in self.circuit.parts.values():
            pins = part.pins
            if part.kind == "capacitor":
                two(*pins.values(), part.number("capacitance") or 0.0)
            elif part.kind in ("diode", "led"):
                a, k = pins["anode"], pins["cathode"]
                across = self.volts(v, a) - self.volts(v, k)
                slope = (self.diode(part, across + 1e-6) - self.diode(part, across - 1e-6)) / 2e-6
                two(a, k, model.DIODE_CAPACITANCE + model.DIODE_TRANSIT * slope)
            elif part.kind in ("npn", "pnp"):
                sign = 1.0 if part.kind == "npn" else -1.0
                beta = part.values["beta"]
                assert isinstance(beta, Beta)
                assert beta.typical is not None
                for end, gain, static, transit in (
                    ("emitter", beta.typical, model.EMITTER_CAPACITANCE, model.FORWARD_TRANSIT),
                    ("collector", REVERSE_BETA, model.COLLECTOR_CAPACITANCE, model.REVERSE_TRANSIT),
                ):
                    across = sign * (self.volts(v, pins["base"]) - self.volts(v, pins[end]))
                    # charge goes with the whole current through the junction, I_S (1 + 1/gain) exp(v/V_T)
                    slope = self.i_s * (1.0 + 1.0 / gain) * exponential(across / self.v_t) / self.v_t
                    two(pins["base"], pins[end], static + transit * slope)
        return matrix

    def derivative(self, _: float, v: Array) -> Array:
        try:
            return np.linalg.solve(self.storing(v), -self.leaving(v))
        except np.linalg.LinAlgError:
            return np.full(len(v), np.nan)  # a trial step far out: the integration takes a shorter one

    def run(self, start: Mapping[str, float], seconds: float, net: str, level: float) -> tuple[Array, float]:
        """Implicit Runge-Kutta (Radau IIA) from voltages until a net passes a level (V) or the time is over.

        The voltages at the end and the time of it.
        """
        from scipy.integrate import solve_ivp

        def passed(_: float, v: Array) -> float:
            return float(v[self.index[net]]) - level

        passed.terminal = True  # type: ignore[attr-defined]
        v = np.array([start[name] for name in self.nets])
        done = solve_ivp(
            self.derivative,
            (0.0, seconds),
            v,
            method="Radau",
            rtol=1e-6,
            atol=1e-7,
            events=passed,
            first_step=1e-12,
        )
        assert done.success, done.message
        return done.y[:, -1], float(done.t[-1])
