"""What closes a sheet: are the assumed regions true, and does every sum come out?"""

from __future__ import annotations

from rules.analysis.derivation.board import Board
from rules.analysis.derivation.expression import ZERO, Expr, Ref, add, evaluate, over, symbols, unit_of
from rules.analysis.derivation.facts import Device, Facts, drops
from rules.analysis.derivation.model import Check
from rules.analysis.resolve import TRANSISTORS
from schemas.circuit import Part

ROUNDING = 1e-9  # of the largest quantity of its kind; a condition is met to within this


def checks_of(facts: Facts, board: Board) -> tuple[Check, ...]:
    checker = _Checker(facts, board)
    for name, region in sorted(facts.state.devices.items()):
        checker.device(name, region)
    checker.balances()
    return tuple(checker.found)


class _Checker:
    def __init__(self, facts: Facts, board: Board) -> None:
        self.facts, self.board = facts, board
        self.found: list[Check] = []
        self.scale = {
            "V": max((abs(v) for k, v in board.values.items() if k.startswith("V(")), default=0.0),
            "A": max((abs(v) for k, v in board.values.items() if k.startswith("I")), default=0.0),
            "": 1.0,
        }

    def device(self, name: str, region: str) -> None:
        part = self.facts.state.mode.network.resolved.circuit.parts[name]
        if part.kind in TRANSISTORS:
            device = next((item for item in self.facts.devices if item.part == name), None)
            if device is None:
                self._off(part)
            else:
                self._conducting(device)
        elif region == "off":
            self._blocking(part)
        else:
            element = next(item for item in self.facts.elements if item.part == name)
            what = "in breakdown" if region == "breakdown" else "conducting"
            if element.current is None:
                self._undefined(name, f"{name} is {what}: its current goes the right way")
            else:
                self._add(
                    name,
                    f"{name} is {what}: its current goes the right way",
                    Ref(element.current),
                    ">=",
                    ZERO,
                )

    def _across(self, high: str, low: str, sign: int = 1) -> Expr | None:
        """v(high) - v(low), or ``None`` when the circuit does not determine it."""
        if not self.facts.defined(high, low):
            return None
        return add((sign, self.facts.net(high) or ZERO), (-sign, self.facts.net(low) or ZERO))

    def _off(self, part: Part) -> None:
        v_be, _, v_bc = drops(self.facts.givens)
        sign = 1 if part.kind == "npn" else -1
        for other, drop, name in (("emitter", v_be, "emitter"), ("collector", v_bc, "collector")):
            across = self._across(part.pins["base"], part.pins[other], sign)
            says = f"{part.name} is off: less than a junction drop from base to {name}"
            self._add(part.name, says, across, "<=", drop)

    def _blocking(self, part: Part) -> None:
        givens = self.facts.givens
        across = self._across(part.pins["anode"], part.pins["cathode"])
        drop = givens.part(part.name, "forward", "V_F", "V", f"forward drop of {part.name}")
        self._add(part.name, f"{part.name} is off: less than its forward drop across it", across, "<=", drop)
        if part.kind == "zener":
            back = self._across(part.pins["cathode"], part.pins["anode"])
            volts = givens.part(part.name, "zener", "V_Z", "V", f"breakdown voltage of {part.name}")
            self._add(
                part.name, f"{part.name} is off: less than its breakdown voltage backwards", back, "<=", volts
            )

    def _conducting(self, device: Device) -> None:
        name, nets, s = device.part, device.nets, device.sign
        base, collector, emitter = (device.currents[pin] for pin in ("base", "collector", "emitter"))
        if base is None or collector is None or emitter is None:
            self._undefined(
                name, f"{name} is {device.region}: its currents fit that"
            )
            return
        if device.region == "active":
            self._add(name, f"{name} is active: base current flows", Ref(base), ">=", ZERO)
            across = self._across(nets["collector"], nets["emitter"], s)
            self._add(
                name, f"{name} is active: more than V_CE,sat is left across it", across, ">=", device.v_ce
            )
        elif device.region == "saturated":
            self._add(name, f"{name} is saturated: base current flows", Ref(base), ">=", ZERO)
            says = f"{name} is saturated: its base could carry more collector current than there is"
            if self.board.values.get(base.id, 1.0) > 0.0:
                self._add(name, says, over(Ref(collector), Ref(base)), "<=", device.gain)
        else:
            self._add(name, f"{name} works backwards: base current flows", Ref(base), ">=", ZERO)
            across = self._across(nets["base"], nets["emitter"], s)
            self._add(
                name, f"{name} works backwards: its base-emitter junction is off", across, "<=", device.v_be
            )

    def balances(self) -> None:
        """Every equation that gave no step has to come out by itself."""
        for place, equation in enumerate(self.board.equations):
            if place in self.board.used or equation.kind == "sharing" or self.board.missing(equation):
                continue
            left, right = equation.sides()
            says = {
                "kcl": f"all that flows into {equation.subject} flows out",
                "source": f"{equation.subject} agrees with the voltages found",
            }.get(equation.kind, f"{equation.subject} obeys its law ({equation.kind})")
            self._add(equation.subject, says, left, "=", right, equation.kind)

    def _undefined(self, subject: str, says: str) -> None:
        self.found.append(Check("region", subject, says, None, "", None, None, None, None, ""))

    def _add(
        self, subject: str, says: str, left: Expr | None, relation: str, right: Expr, kind: str = "region"
    ) -> None:
        self.board.look_up()
        values = self.board.values
        if left is None or not set(symbols(left)) <= set(values):
            self._undefined(subject, says)
            return
        a, b = evaluate(left, values), evaluate(right, values)
        unit = unit_of(left if left != ZERO else right)
        slack = ROUNDING * max(abs(a), abs(b), self.scale.get(unit, 0.0)) + 1e-15
        holds = (
            abs(a - b) <= slack if relation == "=" else a <= b + slack if relation == "<=" else a >= b - slack
        )
        self.found.append(Check(kind, subject, says, left, relation, right, a, b, holds, unit))
