"""An example of a third-party rule: no resistor runs above half of its rated power."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from types import MappingProxyType
from typing import TYPE_CHECKING

from rules.contract import API_LEVEL, Dial, Lesson
from schemas.finding import Change, Finding, Grounds, Limit, Outcome, Proposal, Quantity, Test

if TYPE_CHECKING:
    from rules.analysis.states import State, StateSet
    from rules.analysis.study import Study
    from schemas.circuit import Part

SIZES = (0.125, 0.25, 0.5, 1.0, 2.0, 5.0)  # W, common sizes of leaded resistors; common practice, no source
SHARE = Limit("share", 0.5, "", "common practice, no source", "power in use over rated power")

FAILING = """\
format: thumbrule/1
name: terrarium-lamp
ground: gnd
parts:
  V1: {kind: supply, voltage: 12 V, resistance: 0 ohm, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 680 ohm, power: 0.25 W, pins: {a: rail, b: gnd}}
"""


class CoolRunning:
    """Power of each resistor in every stable state against half its rating."""

    slug = "cool-running"
    title = "Resistors that run cool"
    protects = "resistors from running hot, and what stands next to them"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = MappingProxyType({SHARE.name: SHARE})
    grounds = Grounds(
        rule_of_thumb="A resistor runs at no more than half of its rated power.",
        formula="P <= share * P_rated",
        symbols={"P": "power in use, W", "share": "largest share, 1", "P_rated": "rated power, W"},
        source="common practice, no source",
        holds="in free air up to about 70 degC",
        fails="in a closed box, or with pulses much shorter than a second",
    )
    lesson = Lesson(
        why="A rating is what a resistor survives; at half of it the body stays some 50 K cooler.",
        breaks="Pulses heat the element, not the body: the average says nothing then.",
        mend="Take the next larger body; the value stays.",
        failing=FAILING,
        passing=FAILING.replace("0.25 W", "0.5 W"),
        dial=Dial("/parts/R1/power", "0.5 W", "0.25 W"),
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """One outcome per resistor, state and corner; undecided where no rating is given."""
        resistors = [part for part in study.circuit.parts.values() if part.kind == "resistor"]
        if not resistors:
            yield Outcome(self.slug, "not-applicable", (), "there is no resistor")
        for part in resistors:
            if part.number("power") is None:
                yield Outcome(self.slug, "undecided", (part.name,), f"{part.name} has no rated power (power)")
                continue
            for corner in study.corners:
                for found in study.state_sets(corner):
                    for state in found.stable:
                        yield self._judge(part, found, state)

    def _judge(self, part: Part, found: StateSet, state: State) -> Outcome:
        used, rated = state.power[part.name], part.number("power")
        assert rated is not None
        if used is None:
            reason = f"the circuit does not determine the power of {part.name}"
            return Outcome(self.slug, "undecided", (part.name,), reason, state.name, found.corner)
        share = self.limits["share"].value  # a policy may set it on a copy of this rule
        test = Test.at_most(used, share * rated, "W")
        if test.holds:
            return Outcome(self.slug, "satisfied", (part.name,), "", state.name, found.corner, test)
        pointer = f"/parts/{part.name}/power"
        finding = Finding(
            rule=self.slug,
            severity="error" if used > rated else "warning",
            parts=(part.name,),
            nets=(),
            pointers=(pointer,),
            state=state.name,
            corner=found.corner,
            message=f"{part.name} turns {used:.3g} W into heat, more than {share:.0%} of the {rated:.3g} W"
            " that it is rated for.",
            evidence=(
                Quantity("P", "power in use", used, "W"),
                Quantity("P_rated", "rated power", rated, "W", "declared", pointer),
            ),
            test=test,
            grounds=self.grounds,
        )
        larger = [size for size in SIZES if size * share >= used]
        proposals = tuple(
            Proposal(f"{part.name}: rated {size:g} W", (Change(pointer, rated, f"{size:g} W"),))
            for size in larger[:1]
        )
        return Outcome(
            self.slug, "violated", (part.name,), "", state.name, found.corner, test, finding, proposals
        )


RULE = CoolRunning()
