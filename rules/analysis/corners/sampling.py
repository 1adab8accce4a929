"""All states of many samples of one circuit, in batches.

Every mode of every sample is screened (:mod:`rules.analysis.corners.sweep`), what
passes is solved exactly (:class:`rules.analysis.corners.variants.Variants`), and the
signs of the states of each sample have to add up to one, as they do for every
circuit whose equations are regular (degree theory, Green and Willson 1992).  A sample
for which they do not is given to the ordinary enumeration, so that each sample has
just the states that :func:`rules.analysis.states.states_of` finds for it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from rules.analysis.complementarity import VOLT_TOLERANCE
from rules.analysis.corners.existence import states_at
from rules.analysis.corners.parameters import Parameter
from rules.analysis.corners.stack import Layout, Stack, layout_of, stack_of
from rules.analysis.corners.sweep import sweep
from rules.analysis.corners.variants import ModeFrame, Quantity, Variants, concerning, frame_in
from rules.analysis.elements import Array
from rules.analysis.network import Network
from rules.analysis.states import start_betas

JUNCTION_LIMIT = 12  # more than 4,096 modes are left to the ordinary enumeration of each sample
BATCH = 4096  # samples solved between two looks at the budget

Progress = Callable[[int, int], object]  # (done, asked); an answer of False stops after this batch


@dataclass(frozen=True, eq=False)
class ModeSamples:
    """The samples that are in one mode.

    ``samples`` are their numbers, ascending; ``stable`` says for each whether the state is: by the sign of
    its determinant, and by the natural modes of the first one whose sign allows it.
    """

    support: tuple[int, ...]
    devices: dict[str, str]
    samples: NDArray[np.intp]
    parts: tuple[Variants, ...]
    stable: NDArray[np.bool_]

    @cached_property
    def variants(self) -> Variants:
        """The mode at all of the samples."""
        return Variants.joined(self.parts)

    def take(self, quantity: Quantity) -> Array:
        """A quantity at every one of the samples; NaN where it is undefined."""
        return self.variants.take(quantity)


@dataclass(frozen=True, eq=False)
class Samples:
    """All states of the samples done.

    ``asked`` samples were wanted, ``done`` are here, ``complete`` when these are all and each list of states
    is surely complete.  ``reexamined`` samples went to the ordinary enumeration.
    """

    network: Network
    parameters: tuple[Parameter, ...]
    values: Array  # (done, parameters)
    asked: int
    modes: tuple[ModeSamples, ...]
    reexamined: int
    complete: bool
    reason: str

    @property
    def done(self) -> int:
        return len(self.values)

    @cached_property
    def counts(self) -> NDArray[np.intp]:
        """How many states each sample has."""
        return self._count([mode.samples for mode in self.modes])

    @cached_property
    def stable_counts(self) -> NDArray[np.intp]:
        """How many stable states each sample has."""
        return self._count([mode.samples[mode.stable] for mode in self.modes])

    def _count(self, lists: Sequence[NDArray[np.intp]]) -> NDArray[np.intp]:
        result = np.zeros(self.done, dtype=np.intp)
        for samples in lists:
            result[samples] += 1  # no sample is twice in one mode
        return result


def sampled_states(
    network: Network,
    parameters: Sequence[Parameter],
    values: Array,
    budget: int | None = None,
    progress: Progress | None = None,
) -> Samples:
    """All states of every sample (row of ``values``, (N, parameters)) of one contact position.

    ``budget`` is the largest number of samples to do; ``progress`` hears (done, asked) after every batch
    and may answer ``False`` to stop.  What is done by then is whole: all states of the first samples.
    Raises ``ValueError`` for a network that contradicts itself at nominal values.
    """
    if network.faults:
        raise ValueError(network.faults[0].message)
    asked = len(values)
    wanted = asked if budget is None else max(0, min(asked, budget))
    chosen = concerning(network, parameters)
    keys = {p.key for p in chosen}
    points = values[:wanted, [k for k, p in enumerate(parameters) if p.key in keys]]
    gathered, done = _Gathered(network, chosen, points), 0
    while done < wanted:
        start, done = done, min(done + BATCH, wanted)
        gathered.add(start, done)
        if progress is not None and progress(done, asked) is False:
            break
    reasons = sorted(gathered.reasons)
    if done < asked:
        reasons.append(f"{done} of {asked} samples done")
    return Samples(
        network,
        tuple(parameters),
        values[:done],
        asked,
        gathered.modes(),
        gathered.reexamined,
        not reasons,
        "; ".join(reasons),
    )


class _Gathered:
    """Modes and their samples, batch by batch."""

    def __init__(self, network: Network, parameters: tuple[Parameter, ...], points: Array) -> None:
        self.network, self.parameters, self.points = network, parameters, points
        self.layout: Layout = layout_of(network)
        self.betas = start_betas(network.resolved, "typical")
        self.frames: dict[tuple[int, ...], ModeFrame] = {}
        self.found: dict[tuple[int, ...], list[tuple[NDArray[np.intp], Variants]]] = {}
        self.reasons: set[str] = set()
        self.reexamined = 0

    def frame(self, support: tuple[int, ...]) -> ModeFrame:
        made = self.frames.get(support)
        if made is None:
            made = self.frames[support] = frame_in(self.network, self.betas, support, self.layout)
        return made

    def add(self, start: int, stop: int) -> None:
        """All states of the samples from ``start`` to ``stop``."""
        stack = stack_of(self.layout, self.parameters, self.points[start:stop])
        junctions = len(self.network.junctions)
        if junctions > JUNCTION_LIMIT:
            self._examine(start, stack, np.arange(len(stack)))
            return
        g, h = stack.equations
        screened = sweep(g, h, self.frame(()).scale, junctions)
        signs = np.zeros(len(stack), dtype=int)
        held: list[tuple[tuple[int, ...], NDArray[np.intp], Variants]] = []
        sharing = np.zeros(len(stack), dtype=bool)
        for rows in screened.sharing:
            sharing[rows] = True
        for support, passed in screened.modes():
            rows = passed.samples
            own = passed.z if not sharing[rows].any() else None
            many = Variants.of(self.frame(support), stack.rows(rows), own, passed.signs)
            keeps = _is_state(many, support, sharing[rows])
            if keeps.any():
                held.append((support, rows[keeps], many.rows(keeps)))
                signs[rows[keeps]] += many.signs[keeps]  # no sample is twice in one mode
        odd = signs != 1
        for rows in screened.odd:
            odd[rows] = True
        for support, rows, many in held:
            sound = ~odd[rows]
            if sound.any():
                self._keep(support, start + rows[sound], many if sound.all() else many.rows(sound))
        self._examine(start, stack, np.flatnonzero(odd))

    def _keep(self, support: tuple[int, ...], samples: NDArray[np.intp], many: Variants) -> None:
        self.found.setdefault(support, []).append((samples, many))

    def _examine(self, start: int, stack: Stack, rows: NDArray[np.intp]) -> None:
        """The ordinary enumeration of single samples."""
        modes: dict[tuple[int, ...], list[int]] = {}
        for row in rows.tolist():
            found = states_at(self.network, stack.point(row))
            if not found.complete:
                self.reasons.add(found.reason)
            for state in found.states:
                modes.setdefault(state.mode.solution.support, []).append(row)
        self.reexamined += len(rows)
        for support, places in modes.items():
            chosen = np.array(places, dtype=np.intp)
            self._keep(support, start + chosen, Variants.of(self.frame(support), stack.rows(chosen)))

    def modes(self) -> tuple[ModeSamples, ...]:
        result = []
        for support in sorted(self.found, key=lambda s: (len(s), s)):
            parts = self.found[support]
            samples = np.concatenate([numbers for numbers, _ in parts])
            order = np.argsort(samples, kind="stable")
            many = [variants for _, variants in parts]
            if not np.array_equal(order, np.arange(len(order))):
                many = [Variants.joined(many).rows(order)]
            signs = np.concatenate([part.signs for part in many])
            front = many[0]
            first = next((s for k in range(len(front)) if (s := front.state(k))), None)
            judged = next((s for k in np.flatnonzero(front.signs >= 0) if (s := front.state(int(k)))), None)
            settles = judged is not None and judged.stable
            devices = dict(first.devices) if first is not None else {}
            result.append(ModeSamples(support, devices, samples[order], tuple(many), (signs >= 0) & settles))
        return tuple(result)


def _is_state(many: Variants, support: tuple[int, ...], sharing: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Where the conditions of a mode are met, a conducting junction strictly: a boundary counts once.

    Where junctions share a current, one that stands at its drop without any is on a boundary too.
    """
    blocked = np.ones(many.conditions.shape[1], dtype=bool)
    blocked[list(support)] = False
    least = np.where(blocked & ~sharing[:, None], -VOLT_TOLERANCE, VOLT_TOLERANCE)
    met: NDArray[np.bool_] = np.all(many.conditions >= least, axis=1)
    return met
