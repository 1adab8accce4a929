"""The course of one held capacitor at many points of the tolerances at once.

A course passes through modes (sets of conducting junctions).  Where the same
modes follow each other at all points, every mode is one batch of small linear
systems, and each edge, current and time is an array.  A point that takes
another way is followed by itself, and its way is then tried on the others.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rules.analysis.complementarity import decomposed, problem_of
from rules.analysis.corners.parameters import Parameter
from rules.analysis.corners.stack import Layout, Stack, layout_of, stack_of
from rules.analysis.elements import Array
from rules.analysis.frozen import Segment
from rules.analysis.mode_line import Tracer
from rules.analysis.network import Network
from rules.analysis.states import SOUND, State

Flags = NDArray[np.bool_]
Places = NDArray[np.intp]
Way = tuple[frozenset[int], ...]  # the conducting junctions of each segment

KEPT = 6  # batches of one frame
_EDGE = 1e-9  # V; as in rules.analysis.mode_line
_STEP = 1e-7  # V past an edge, where the next mode is confirmed
_FLAT = 1e-9
_STILL = 1e-15  # A
_MISFIT = 1e-7  # V; as in rules.analysis.mode_line
_FIXED = 1e-6  # V for a step of length one along what is open; what moves less does not depend on it


@dataclass(frozen=True, eq=False)
class Courses:
    """N courses of up to S segments; short ones stand still at their end in the segments left.

    ``start``, ``end`` (V), ``first``, ``last`` (A into the first pin) are (N, S); ``junctions``
    (A, N x S x J) at the end of each segment; ``here`` says which rows are known.
    """

    start: Array
    end: Array
    first: Array
    last: Array
    junctions: Array
    here: Flags

    @classmethod
    def empty(cls, count: int, segments: int, junctions: int) -> Courses:
        a, b, c, d = (np.zeros((count, segments)) for _ in range(4))
        return cls(a, b, c, d, np.zeros((count, segments, junctions)), np.zeros(count, dtype=bool))

    def widened(self, segments: int) -> Courses:
        """With room for more segments."""
        count, old = self.start.shape
        if segments <= old:
            return self
        made = Courses.empty(count, segments, self.junctions.shape[2])
        for mine, theirs in zip(made.arrays, self.arrays, strict=True):
            mine[:, :old] = theirs
        for mine, still in zip(made.arrays[:4], (self.end, self.end, self.last, self.last), strict=True):
            mine[:, old:] = still[:, -1:]
        made.junctions[:, old:] = self.junctions[:, -1:]
        made.here[:] = self.here
        return made

    @property
    def arrays(self) -> tuple[Array, Array, Array, Array, Array]:
        return self.start, self.end, self.first, self.last, self.junctions

    def put(self, rows: Places, other: Courses, chosen: Flags) -> None:
        """Take over the ``chosen`` rows of another set of courses into ``rows``."""
        wide = other.widened(self.start.shape[1])
        for mine, theirs in zip(self.arrays, wide.arrays, strict=True):
            mine[rows[chosen]] = theirs[chosen]
        self.here[rows[chosen]] = True

    @property
    def slope(self) -> Array:
        """Rise of the current over the voltage, A/V; 0 for a segment without length."""
        span = self.end - self.start
        with np.errstate(all="ignore"):
            slope = (self.last - self.first) / span
        return np.where(np.abs(span) > 0.0, slope, 0.0)

    def times(self, farads: Array) -> Array:
        """Seconds in each segment (N, S) for capacitances (N,); the hand sum tau*ln(i_0/i_1)."""
        with np.errstate(all="ignore"):
            ratio = self.first / self.last
            mean = np.where(
                np.abs(ratio - 1.0) < _FLAT, 1.0 / self.first, np.log(ratio) / (self.first - self.last)
            )
            found = farads[:, None] * (self.end - self.start) * mean
        still = self.end == self.start
        return np.where(still, 0.0, np.where((ratio > 0.0) & np.isfinite(found), found, np.inf))

    def segments(self, row: int, farads: float) -> tuple[Segment, ...]:
        """One course as segments, for sums that take one (leakage, say)."""
        times = self.times(np.full(len(self.start), farads))[row]
        made: list[Segment] = []
        for k, seconds in enumerate(times.tolist()):
            a, b = float(self.start[row, k]), float(self.end[row, k])
            i, j = float(self.first[row, k]), float(self.last[row, k])
            if a == b and made:
                continue
            slope = 0.0 if a == b else (j - i) / (b - a)
            aim, tau = (None, None) if slope == 0.0 else (a - i / slope, -farads / slope)
            made.append(Segment({}, a, b, i, j, aim, tau, seconds, True))
        return tuple(made)


@dataclass(frozen=True, eq=False)
class Lines:
    """One mode at N points as straight lines over the capacitor voltage above 0 V; see ``ModeLine``."""

    conditions: Array  # (N, junctions), V
    slopes: Array
    current: Array  # (N,), A
    current_slope: Array
    signs: NDArray[np.int_]
    sound: Flags
    determined: Flags  # false: something stays open (a net between junctions that block), as in ``ModeLine``
    freedom: Array | None = None
    """(N, junctions): how much each slack moves with the one thing that stays open; ``None``: not at all."""


class Frame:
    """A network with capacitors held, its layout and scale; the same for all points."""

    def __init__(self, network: Network, layout: Layout, betas: Mapping[str, float], capacitor: str) -> None:
        self.network, self.layout, self.capacitor = network, layout, capacitor
        problem = problem_of(network, betas)
        self.scale = np.concatenate([problem.scale, np.ones(problem.free)])
        self._batches: OrderedDict[tuple[object, ...], Batch] = OrderedDict()

    def batch(self, parameters: Sequence[Parameter], values: Array, held: Mapping[str, Array]) -> Batch:
        """The frame at N points; the last ones made are kept, with the modes solved on them."""
        mark = (
            tuple(p.key for p in parameters),
            values.tobytes(),
            *((name, held[name].tobytes()) for name in sorted(held)),
        )
        made = self._batches.get(mark)
        if made is None:
            made = self._batches[mark] = Batch(self, parameters, values, held)
            while len(self._batches) > KEPT:
                self._batches.popitem(last=False)
        return made


def frame_at(state: State, capacitor: str) -> Frame:
    """The frame of a state; who asks for the courses of one capacitor of one network shares it."""
    network, betas = state.mode.network, state.mode.betas
    held, gains = tuple(sorted(network.held.items())), tuple(sorted(betas.items()))
    mark = ("courses", network.configuration.key, held, gains, capacitor)
    kept = network.resolved.networks.get(mark)
    if not isinstance(kept, Frame):
        kept = network.resolved.networks[mark] = Frame(network, layout_of(network), betas, capacitor)
    return kept


class Batch:
    """One frame at N points, each capacitor held at its own voltage (V) at each of them."""

    def __init__(
        self, frame: Frame, parameters: Sequence[Parameter], values: Array, held: Mapping[str, Array]
    ) -> None:
        self.frame = frame
        self.stack: Stack = stack_of(frame.layout, parameters, values)
        network = frame.network
        size, free = len(network.nets), len(network.islands)
        rows = {branch.part: (size + k, branch.voltage) for k, branch in enumerate(network.branches)}
        own = rows[frame.capacitor][0]
        inverse = self.stack.inverse
        self.g, h = self.stack.equations
        self.h = h.copy()
        self.rest = self.stack.rest[:, own].copy()
        for name in sorted(held):
            row, stands = rows[name]
            # the capacitor under study is left at 0 V: its voltage is what everything is a line over
            moved = (0.0 if name == frame.capacitor else held[name]) - stands
            self.h[:, : len(network.junctions)] -= (inverse[:, :size, row] @ network.sense.T) * np.reshape(
                moved, (-1, 1)
            )
            self.rest += inverse[:, own, row] * moved
        slope = -inverse[:, :size, own] @ network.sense.T
        self.h_slope = np.hstack([slope, np.zeros((len(slope), free))])
        self.rest_slope = inverse[:, own, own]
        self.response = np.einsum("ns,nsj->nj", inverse[:, own, :size], self.stack.injected)
        self._finite: Flags = np.all(np.isfinite(self.g), axis=(1, 2))
        self._right = -np.stack([self.h, self.h_slope], axis=2)
        self._lines: dict[frozenset[int], Lines] = {}

    def lines(self, support: frozenset[int]) -> Lines:
        if support not in self._lines:
            self._lines[support] = self._solve(support)
        return self._lines[support]

    def _solve(self, support: frozenset[int]) -> Lines:
        network, count = self.frame.network, len(self.stack)
        j, free = len(network.junctions), len(network.islands)
        keep = [*sorted(support), *range(j, j + free)]
        z = np.zeros((count, j + free, 2))
        signs = np.ones(count, dtype=int)
        sound = determined = self._finite
        right, freedom = self._right, None
        if keep:
            scale = self.frame.scale[keep]
            matrices = self.g[:, np.array(keep)[:, None], keep] * scale
            with np.errstate(all="ignore"):
                rows = np.abs(matrices).max(axis=2)
                level = matrices / rows[:, :, None]
                columns = np.abs(level).max(axis=1)
                level = level / columns[:, None, :]
                finite = np.isfinite(level)
                sign, logarithm = np.linalg.slogdet(level if finite.all() else np.where(finite, level, 0.0))
                sound = sound & np.isfinite(logarithm) & (logarithm > SOUND)
                shares = right[:, keep] / rows[:, :, None]
            if sound.all():
                z[:, keep] = np.linalg.solve(level, shares) / columns[:, :, None] * scale[:, None]
            else:
                good = np.flatnonzero(sound)
                solved = np.linalg.solve(level[good], shares[good]) / columns[good][:, :, None]
                z[np.ix_(good, keep)] = solved * scale[:, None]
            signs = np.where(sound, sign * (-1.0 if free % 2 else 1.0), 0).astype(int)
            determined = sound.copy()
            for_care = np.flatnonzero(~sound)
            if for_care.size:
                for_care = for_care[np.isfinite(matrices[for_care]).all(axis=(1, 2))]
            if for_care.size:
                found, fits, null = self._open(matrices[for_care], right[for_care][:, keep], len(support))
                z[np.ix_(for_care, keep)] = found * scale[:, None]
                sound[for_care] = fits
                blocking, those = np.array(sorted(set(range(j)) - support), dtype=np.intp), for_care[:, None]
                equations = self.g[those[:, :, None], blocking[:, None], np.array(keep)]
                moved = np.einsum("nbk,nk->nb", equations, null * scale)
                freedom = np.zeros((count, j))
                freedom[those, blocking] = np.where(np.abs(moved) > _FIXED, moved, 0.0)
        slack = np.matmul(self.g[:, :j], z) - right[:, :j]
        conducting = np.zeros(j, dtype=bool)
        conducting[sorted(support)] = True
        lines = np.where(conducting[:, None], z[:, :j] / self.frame.scale[:j, None], slack)
        answer = np.einsum("nj,njk->nk", self.response, z[:, :j])
        return Lines(
            lines[:, :, 0],
            lines[:, :, 1],
            self.rest + answer[:, 0],
            self.rest_slope + answer[:, 1],
            signs,
            sound,
            determined,
            freedom,
        )

    def _open(self, matrices: Array, right: Array, conducting: int) -> tuple[Array, Flags, Array]:
        """The smallest solutions of matrices that leave something open, and which have one at all.

        Last, the direction in which one is as good as another: all zero where there are several such.
        """
        rows = np.abs(matrices[:, conducting:]).max(axis=2)
        weight = np.ones(matrices.shape[:2])
        weight[:, conducting:] = 1.0 / np.where(rows > 0.0, rows, 1.0)
        matrices, right = matrices * weight[:, :, None], right * weight[:, :, None]
        u, values, vt, small = decomposed(matrices)
        across = np.swapaxes(u, 1, 2) @ right
        left = np.where(small[:, :, None], np.abs(across), 0.0).max(axis=(1, 2))
        z = np.swapaxes(vt, 1, 2) @ (across / np.where(small, np.inf, values)[:, :, None])
        fits: Flags = left <= _MISFIT
        single = small.sum(axis=1) == 1
        null = np.where(small & single[:, None], 1.0, 0.0)[:, None] @ vt
        return z, fits, null[:, 0]

    @np.errstate(all="ignore")
    def follow(self, way: Way, start: Array, fold: bool, settles: bool = False, lead: int = 0) -> Courses:
        """Every course that goes the same way as that of row ``lead``, from ``start`` V on.

        ``fold``: the way ends where its last mode turns back; otherwise where it is left for another one.
        ``settles``: the last segment ends at rest (its end is the aim, never reached).
        """
        count, j = len(self.stack), len(self.frame.network.junctions)
        made = Courses.empty(count, len(way), j)
        good, u = np.ones(count, dtype=bool), start.copy()
        for k, support in enumerate(way):
            line = self.lines(support)
            current = line.current + line.current_slope * u
            good &= line.sound & (np.abs(current) > _STILL) & _holds(line, u)
            direction = np.sign(current)
            edge, which = _edge(line, u, direction)
            last = k == len(way) - 1
            aim = -line.current / line.current_slope
            decays = line.current_slope < 0.0
            before = decays & np.isfinite(aim) & ((edge - aim) * direction >= 0.0)
            if last and settles:
                good &= before
                edge = aim
            else:
                good &= np.isfinite(edge) & ~before & (which == which[lead])
            if line.freedom is not None:  # what is open has room at both ends, so in between as well
                good &= _holds(line, np.where(np.isfinite(edge), edge, u))
            edge = np.where(good, edge, u)
            made.start[:, k], made.end[:, k], made.first[:, k] = u, edge, current
            made.last[:, k] = line.current + line.current_slope * edge
            at_end = line.conditions + line.slopes * edge[:, None]
            conducting = sorted(support)
            made.junctions[:, k, conducting] = (at_end * self.frame.scale[:j])[:, conducting]
            if last and not settles:
                good &= self._leaves(support, int(which[lead]), edge + direction * _STEP, fold, lead)
            elif not last:
                good &= _holds(self.lines(way[k + 1]), edge + direction * _STEP)
            u = edge
        made.here[:] = good & good[lead]
        return made

    def _leaves(self, support: frozenset[int], k: int, beyond: Array, fold: bool, lead: int) -> Flags:
        """At which points the course turns back (``fold``) or goes on beyond the edge at junction ``k``.

        A mode beyond that ties the held capacitor down has no solution of its own anywhere: that the course
        of ``lead`` turns back there, or is kept there, then stands for all.
        """
        line, following = self.lines(support), self.lines(support ^ {k})
        goes_on: Flags = following.sound & _holds(following, beyond)
        if not fold:
            kept: Flags = ~goes_on & line.sound & (following.sound == following.sound[lead])
            return goes_on if goes_on[lead] else kept
        both = line.determined & following.determined
        turned = line.signs != following.signs if both[lead] else ~both
        result: Flags = ~goes_on & line.sound & turned & (both == both[lead])
        return result


def _holds(line: Lines, u: Array) -> Flags:
    at = line.conditions + line.slopes * u[:, None]
    held: Flags = at >= -10.0 * _EDGE
    if line.freedom is None:
        return np.asarray(held.all(axis=1))
    # the slacks that move with what is open only have to leave it room
    free = line.freedom
    with np.errstate(all="ignore"):
        bound = -at / free
    least = np.where(free > 0.0, bound, -np.inf).max(axis=1)
    most = np.where(free < 0.0, bound, np.inf).min(axis=1)
    room: Flags = least <= most + 10.0 * _EDGE
    return np.asarray((held | (free != 0.0)).all(axis=1) & room)


def _edge(line: Lines, u: Array, direction: Array) -> tuple[Array, Places]:
    """The first voltage beyond ``u`` at which a condition fails (infinite: none), and which.

    What is open is taken as it was solved, as in ``ModeLine``; a slack that fails as it is has no edge.
    """
    away = (-line.conditions / line.slopes - u[:, None]) * direction[:, None]
    usable = (line.slopes * direction[:, None] < -1e-12) & (away >= -_EDGE)
    away = np.where(usable, away, np.inf)
    which = away.argmin(axis=1)
    nearest = away[np.arange(len(u)), which]
    return u + direction * nearest, which  # a current of exactly zero has no direction, and no edge


def single(tracer: Tracer, segments: Sequence[Segment]) -> Courses:
    """One course that was followed by itself, in the same shape."""
    made = Courses.empty(1, len(segments), tracer.problem.size)
    for k, segment in enumerate(segments):
        values = (segment.start, segment.end, segment.current_start, segment.current_end)
        for array, value in zip(made.arrays[:4], values, strict=True):
            array[0, k] = value
        line = tracer.line(segment.support)
        if line is None:
            continue
        at_end = (line.conditions + line.slopes * (segment.end - line.u0)) * tracer.problem.scale
        conducting = sorted(segment.support)
        made.junctions[0, k, conducting] = at_end[conducting]
    made.here[0] = True
    return made


def passed(courses: Courses, farads: Array, elapsed: float | Array) -> Array:
    """Capacitor voltages ``elapsed`` s into each course; the last end where it is over by then."""
    left, found = np.full(len(farads), elapsed), courses.end[:, -1].copy()
    times, slope = courses.times(farads), courses.slope
    done = np.zeros(len(farads), dtype=bool)
    for k in range(times.shape[1]):
        now = ~done & (left < times[:, k])
        with np.errstate(all="ignore"):
            aim = courses.start[:, k] - courses.first[:, k] / slope[:, k]
            decayed = aim + (courses.start[:, k] - aim) * np.exp(left * slope[:, k] / farads)
        straight = courses.start[:, k] + courses.first[:, k] * left / farads
        value = np.where(np.abs(slope[:, k]) > 0.0, decayed, straight)
        found = np.where(now, value, found)
        done |= now
        left = left - np.where(math.inf > times[:, k], times[:, k], 0.0)
    return found
