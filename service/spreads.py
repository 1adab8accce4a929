"""How far the quantities of a circuit spread over its tolerances: the shape of ``POST /v1/spreads``.

Samples are drawn at random, every state of each is found, every delay followed.
Beside the quantiles stand the exact worst values and the root of the sum of the
squares of the single changes.  A run that is stopped answers with the samples
that it has done, and says so.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from service.sampling import Array
from service.shapes import assumed_shape, finite, positions

if TYPE_CHECKING:
    from rules.analysis.corners.parameters import Parameter
    from rules.analysis.corners.sampling import ModeSamples
    from rules.analysis.delay_corners import Corner, DelayCorners
    from rules.analysis.network import Network
    from rules.analysis.requirements import Asked
    from rules.analysis.states import State
    from rules.analysis.study import Situation, Study

Json = dict[str, Any]
Flags = NDArray[np.bool_]
Progress = Callable[[int, int], bool | None]
"""Hears (done, asked) after every batch; true ends the run."""

MOST_SAMPLES = 100_000
MOST_SEED = 2**32 - 1
BATCH = 500
QUANTILES = (0.005, 0.5, 0.995)
UNIFORM = "uniform and independent within each interval"
LEFT_OUT = "judged at its worst corner by the review"


@dataclass
class _Place:
    """One state in one position of the contacts, and what the samples gave of it.

    ``found`` says batch by batch which samples have it; ``nets`` V for every sample, NaN where it is not.
    """

    situation: Situation
    network: Network
    found: list[Flags] = field(default_factory=list)
    nets: dict[str, list[Array]] = field(default_factory=dict)

    def shape(self) -> Json:
        configuration = self.network.configuration
        return {
            "state": self.situation.label,
            **positions(configuration),
            "held": finite(dict(sorted(self.network.held.items()))),
        }

    def values(self, net: str) -> Array:
        return np.concatenate(self.nets[net]) if self.nets.get(net) else np.empty(0)

    @property
    def here(self) -> Flags:
        """Which samples have the state."""
        return np.concatenate(self.found) if self.found else np.zeros(0, dtype=bool)


def spread_shape(
    study: Study, samples: int, seed: int, budget: int | None = None, progress: Progress | None = None
) -> Json:
    """The whole shape: ``samples`` wanted, at most ``budget`` of them done, ``progress`` told."""
    from rules.analysis.corners.parameters import parameters
    from rules.analysis.delay_corners import delay_corners

    varied = parameters(study.resolved)
    shares = np.random.default_rng(seed).random((samples, len(varied)))
    places = [_Place(s, s.state.mode.network) for s in study.situations("typical")]
    delays = [delay_corners(study, delay) for delay in study.delays("typical")[0]]
    seconds: list[list[Array]] = [[] for _ in delays]
    reasons = {*study.incomplete_reasons, *(fault.message for _, fault in study.faults)}
    most = samples if budget is None else min(samples, budget)
    done, stopped = 0, False
    while done < most and not stopped:
        part = shares[done : min(done + BATCH, most)]
        for group in _by_network(places):
            _sample_states(group, varied, part, reasons)
        for k, delay in enumerate(delays):
            seconds[k].append(delay.seconds(_points(delay.parameters, varied, part)))
        done += len(part)
        stopped = bool(progress(done, samples)) if progress is not None else False
    if done < samples:
        reasons.add(f"{done} of {samples} samples done")
    times = [np.concatenate(found) if found else np.empty(0) for found in seconds]
    exact = not stopped  # who stops a run is waiting
    return {
        "circuit": study.circuit.name,
        "samples": done,
        "asked": samples,
        "seed": seed,
        "complete": not reasons,
        "distribution": UNIFORM,
        "varied": [_varied(parameter) for parameter in varied],
        "states": [_presence(place, done) for place in places],
        "quantities": [
            *(item for place in places for item in _net_quantities(place, exact)),
            *(_delay_quantity(delay, found, exact) for delay, found in zip(delays, times, strict=True)),
        ],
        "yields": _yields(study, places, delays, times, done),
        "left_out": _left_out(study),
        "assumed": [assumed_shape(item) for item in study.assumed],
        "problems": sorted(reasons),
    }


def _by_network(places: Sequence[_Place]) -> list[list[_Place]]:
    """Places that share a network are sampled together."""
    groups: dict[tuple[str, tuple[tuple[str, float], ...]], list[_Place]] = {}
    for place in places:
        held = tuple(sorted(place.network.held.items()))
        groups.setdefault((place.network.configuration.key, held), []).append(place)
    return list(groups.values())


def _points(own: Sequence[Parameter], varied: Sequence[Parameter], shares: Array) -> Array:
    """Values of the parameters ``own`` at the shares (0 to 1) drawn for all: one sample is one circuit."""
    column = {parameter.key: k for k, parameter in enumerate(varied)}
    middle = np.full(len(shares), 0.5)
    points = [
        p.low + (p.high - p.low) * (shares[:, column[p.key]] if p.key in column else middle) for p in own
    ]
    return np.column_stack(points) if points else np.empty((len(shares), 0))


def _sample_states(
    group: Sequence[_Place], varied: Sequence[Parameter], shares: Array, reasons: set[str]
) -> None:
    """All states of one network at one batch of samples, sorted into the places that look for them."""
    from rules.analysis.corners.sampling import sampled_states

    network = group[0].network
    found = sampled_states(network, varied, _points(varied, varied, shares))
    if not found.complete:
        reasons.add(found.reason)
    named = [(_name_of(network, mode), mode) for mode in found.modes]
    nets = [net for net in network.nets if net != network.resolved.circuit.ground]
    for place in group:
        here = np.zeros(len(shares), dtype=bool)
        values = {net: np.full(len(shares), np.nan) for net in nets}
        for name, mode in named:
            if name != place.situation.label or not mode.stable.any():
                continue
            rows = mode.samples[mode.stable]
            here[rows] = True
            for net in nets:
                values[net][rows] = mode.take(_voltage(net))[mode.stable]
        place.found.append(here)
        for net in nets:
            place.nets.setdefault(net, []).append(values[net])


def _voltage(net: str) -> Callable[[State], float | None]:
    return lambda state: state.nets[net]


def _name_of(network: Network, mode: ModeSamples) -> str:
    from rules.analysis.timeline.engine import state_name

    return state_name(network.resolved.circuit, mode.devices)


def _varied(parameter: Parameter) -> Json:
    return {
        "part": parameter.part,
        "member": parameter.member,
        "low": parameter.low,
        "nominal": parameter.nominal,
        "high": parameter.high,
        "unit": parameter.unit,
        "origin": parameter.origin,
        "pointer": parameter.pointer,
        "source": parameter.source,
    }


def _share(passed: int, count: int, name: str = "passed") -> Json:
    from rules.analysis.proportions import CONFIDENCE, share_interval

    low, high = share_interval(passed, count)
    share = passed / count if count else None
    return {name: passed, "share": share, "low": low, "high": high, "confidence": CONFIDENCE}


def _presence(place: _Place, done: int) -> Json:
    return {**place.shape(), **_share(int(place.here.sum()), done, "found")}


def _statistics(values: Array) -> Json:
    """Quantiles, mean and deviation of what is known and finite."""
    known = values[np.isfinite(values)]
    if not known.size:
        return {"count": 0, "low": None, "median": None, "high": None, "mean": None, "deviation": None}
    low, median, high = (float(q) for q in np.quantile(known, QUANTILES))
    deviation = float(known.std(ddof=1)) if known.size > 1 else None
    return {
        "count": int(known.size),
        "low": low,
        "median": median,
        "high": high,
        "mean": float(known.mean()),
        "deviation": deviation,
    }


def _net_quantities(place: _Place, exact: bool) -> list[Json]:
    from rules.analysis.corners.worst import bounds

    state = place.situation.state
    found = []
    for net in sorted(place.nets):
        nominal = state.nets.get(net)
        if nominal is None:
            continue
        worst, rss = None, None
        ends = bounds(state, _voltage(net)) if exact else None
        if ends is not None:
            both = (ends.low, ends.high)
            worst = {
                "low": finite(ends.low.value),
                "high": finite(ends.high.value),
                "low_corner": ends.low.label,
                "high_corner": ends.high.label,
                "exact": all(end.exact and end.holds for end in both),
                "note": "; ".join(
                    dict.fromkeys(
                        end.how if end.holds else f"at {end.label} the circuit is in another state"
                        for end in both
                        if not (end.exact and end.holds)
                    )
                ),
            }
            rss = _root_sum_square([s.low for s in both[0].sensitivities],
                                   [s.high for s in both[0].sensitivities])  # fmt: skip
        found.append(
            {
                "kind": "net-voltage",
                "name": net,
                **place.shape(),
                "unit": "V",
                "nominal": finite(nominal),
                **_statistics(place.values(net)),
                "worst": worst,
                "root_sum_square": rss,
            }
        )
    return found


def _root_sum_square(low: Sequence[float], high: Sequence[float]) -> float | None:
    """Half of the span that single changes give together when they are independent."""
    found = math.sqrt(sum(((b - a) / 2) ** 2 for a, b in zip(low, high, strict=True)))
    return found if math.isfinite(found) else None


def _delay_quantity(delay: DelayCorners, seconds: Array, exact: bool) -> Json:
    timed = delay.delay.timed
    worst, rss = None, None
    ends = [delay.worst(delay.total, sign) for sign in (-1.0, 1.0)] if exact else []
    if len(ends) == 2 and ends[0] is not None and ends[1] is not None:
        worst, rss = _delay_ends(ends[0], ends[1])
    configuration = timed.configuration
    return {
        "kind": "delay",
        "name": timed.capacitor,
        "state": timed.name,
        **positions(configuration),
        "held": finite(dict(sorted(timed.state.mode.network.held.items()))),
        "unit": "s",
        "nominal": finite(delay.delay.duration),
        **_statistics(seconds),
        "worst": worst,
        "root_sum_square": rss,
        "never": int(np.isinf(seconds).sum()),
    }


def _delay_ends(low: Corner, high: Corner) -> tuple[Json, float | None]:
    lost = sorted({*low.lost, *high.lost})
    worst = {
        "low": finite(low.value),
        "high": finite(high.value),
        "low_corner": low.label,
        "high_corner": high.label,
        "exact": not lost and math.isfinite(high.value),
        "note": f"at {'; at '.join(lost)} it is no such delay" if lost else "",
    }
    return worst, _root_sum_square([s.low for s in low.shares], [s.high for s in low.shares])


def _yields(
    study: Study,
    places: Sequence[_Place],
    delays: Sequence[DelayCorners],
    times: Sequence[Array],
    done: int,
) -> list[Json]:
    """The share of samples that meets each requirement that can be sampled."""
    from rules.analysis.named import fitting
    from rules.analysis.requirements import asked, means

    found: list[tuple[Asked, str, Flags]] = []
    for item in asked(study.circuit, "delay"):
        meant = [
            _within(item, seconds)
            for delay, seconds in zip(delays, times, strict=True)
            if means(study.circuit, item, delay.delay)
        ]
        if meant:
            found.append((item, "delay", np.all(meant, axis=0)))
    for item in asked(study.circuit, "net-voltage"):
        labels = {(s.label, s.position) for s in fitting(study, "typical", item.state)}
        net = item.text("net")
        meant_by = [
            place
            for place in places
            if place.nets.get(net) and (place.situation.label, place.situation.position) in labels
        ]
        if meant_by:
            kept = [_within(item, place.values(net)) | ~place.here for place in meant_by]
            there = np.any([place.here for place in meant_by], axis=0)
            found.append((item, "net-voltage", np.all(kept, axis=0) & there))
    return [
        {
            "requirement": item.label,
            "kind": kind,
            "pointer": item.pointer,
            "unit": "s" if kind == "delay" else "V",
            "at_least": finite(item.window.low),
            "at_most": finite(item.window.high),
            **_share(int(passed.sum()), done),
        }
        for item, kind, passed in found
    ]


def _within(item: Asked, values: Array) -> Flags:
    """Where a value is known and accepted."""
    window = item.window
    with np.errstate(invalid="ignore"):
        inside: Flags = (values >= window.low) & (values <= window.high)
    return inside


def _left_out(study: Study) -> list[Json]:
    """The requirements whose yield is not told, and why."""
    sampled = ("delay", "net-voltage")
    return [
        {"pointer": f"/requirements/{k}", "requirement": item.name or item.kind, "kind": item.kind,
         "reason": LEFT_OUT}
        for k, item in enumerate(study.circuit.requirements)
        if item.kind not in sampled
    ]  # fmt: skip


