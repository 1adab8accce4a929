"""All states of every sample, against the ordinary enumeration sample by sample."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest

from rules.analysis.configurations import configurations
from rules.analysis.corners.draws import drawn
from rules.analysis.corners.existence import states_at
from rules.analysis.corners.parameters import Parameter, parameters
from rules.analysis.corners.sampling import Samples, sampled_states
from rules.analysis.elements import Array
from rules.analysis.network import Network, build_network
from rules.analysis.resolve import resolve
from schemas.circuit import Circuit
from tests.builders import circuit, diode, led, load, npn, pnp, resistor, supply
from tests.latch import LATCH
from tests.random_circuits import mixed
from tests.tolerances import spread

Support = tuple[int, ...]


def network(found: Circuit) -> Network:
    return build_network(resolve(found), configurations(found)[0][0])


def by_sample(samples: Samples) -> list[dict[Support, Array]]:
    """Junction currents of each state of each sample, by mode."""
    junctions = len(samples.network.junctions)
    result: list[dict[Support, Array]] = [{} for _ in range(samples.done)]
    for mode in samples.modes:
        for place, sample in enumerate(mode.samples.tolist()):
            assert mode.support not in result[sample]
            result[sample][mode.support] = mode.variants.z[place, :junctions]
    return result


def differences(made: Network, listed: tuple[Parameter, ...], points: Array) -> list[str]:
    wrong = []
    for k, found in enumerate(by_sample(sampled_states(made, listed, points))):
        point = {p.key: value for p, value in zip(listed, points[k].tolist(), strict=True)}
        expected: Mapping[Support, Array] = {
            s.mode.solution.support: s.mode.solution.current for s in states_at(made, point).states
        }
        if set(found) != set(expected):
            wrong.append(f"sample {k}: {sorted(found)} but {sorted(expected)}")
        else:
            wrong += [
                f"sample {k}: {support}"
                for support, current in expected.items()
                if not np.allclose(found[support], current, rtol=1e-6, atol=1e-9)
            ]
    return wrong


@pytest.mark.parametrize("start", range(0, 200, 20))
def test_random_circuits_have_just_the_states_of_every_single_sample(start: int) -> None:
    for seed in range(start, start + 20):
        made = network(spread(mixed(seed)))
        if not made.faults and len(made.junctions) <= 10:
            listed = parameters(made.resolved)
            assert differences(made, listed, drawn(listed, 5, seed)) == [], seed


MIRROR = circuit(
    supply("V1", "vp", "gnd", 9.0),
    resistor("R1", "vp", "b", 4.7e3),
    npn("Q1", "b", "b", "gnd", 100.0),
    npn("Q2", "c", "b", "gnd", 200.0),
    resistor("R2", "vp", "c", 2.2e3),
)
DARLINGTON = circuit(
    supply("V1", "vp", "gnd", 9.0),
    resistor("R1", "vp", "b", 1e6),
    npn("Q1", "c", "b", "m", 100.0),
    npn("Q2", "c", "m", "gnd", 100.0),
    led("D1", "a", "c", 2.0),
    resistor("R2", "vp", "a", 470.0),
)
STRING = circuit(
    supply("V1", "vp", "gnd", 9.0),
    resistor("R1", "vp", "a", 1e3),
    led("D1", "a", "n1", 2.0),
    led("D2", "n1", "n2", 2.0),
    diode("D3", "n2", "gnd"),
)


@pytest.mark.parametrize("subject", [MIRROR, DARLINGTON, STRING], ids=["mirror", "darlington", "string"])
def test_shared_currents_and_floating_nets_need_no_second_look(subject: Circuit) -> None:
    made = network(spread(subject))
    listed = parameters(made.resolved)
    points = drawn(listed, 40, 3)
    assert differences(made, listed, points) == []
    assert sampled_states(made, listed, points).reexamined == 0


def test_a_latch_on_the_edge_has_one_state_or_three() -> None:
    edge = circuit(
        *(part for part in LATCH if part.name not in ("R3", "V1")),
        resistor("R3", "out", "b1", 120e3),
        supply("V1", "vp", "gnd", 9.0),
    )
    made = network(spread(edge, (0.5, 2.0), 0.2))
    listed = parameters(made.resolved)
    samples = sampled_states(made, listed, drawn(listed, 2000, 5))
    assert samples.complete
    assert set(samples.counts.tolist()) == {1, 3}
    assert set(samples.stable_counts.tolist()) == {1, 2}
    assert (samples.counts == 2 * samples.stable_counts - 1).all()


def test_a_quantity_is_taken_from_every_sample_of_a_mode() -> None:
    made = network(spread(circuit(*LATCH)))
    listed = parameters(made.resolved)
    samples = sampled_states(made, listed, drawn(listed, 50, 2))
    off = next(mode for mode in samples.modes if set(mode.devices.values()) == {"off"})
    supply_volts = samples.values[off.samples, [p.part for p in listed].index("V1")]
    assert off.take(lambda s: s.nets["vp"]) == pytest.approx(supply_volts)
    assert off.stable.all()


def test_samples_do_not_depend_on_the_batches_they_are_in(monkeypatch: pytest.MonkeyPatch) -> None:
    made = network(spread(circuit(*LATCH)))
    listed = parameters(made.resolved)
    points = drawn(listed, 60, 4)
    whole = by_sample(sampled_states(made, listed, points))
    monkeypatch.setattr("rules.analysis.corners.sampling.BATCH", 7)
    monkeypatch.setattr("rules.analysis.corners.sweep.CHUNK", 5)
    for one, other in zip(whole, by_sample(sampled_states(made, listed, points)), strict=True):
        assert set(one) == set(other)
        for support, current in one.items():
            assert other[support] == pytest.approx(current, rel=1e-9, abs=1e-15)


def test_a_budget_gives_the_first_samples_and_says_so() -> None:
    made = network(spread(circuit(*LATCH)))
    listed = parameters(made.resolved)
    points = drawn(listed, 30, 4)
    part = sampled_states(made, listed, points, budget=12)
    assert (part.done, part.asked, part.complete, part.reason) == (12, 30, False, "12 of 30 samples done")
    assert len(by_sample(part)) == 12
    assert by_sample(part)[11].keys() == by_sample(sampled_states(made, listed, points))[11].keys()


def test_progress_is_told_and_may_stop(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("rules.analysis.corners.sampling.BATCH", 10)
    made = network(spread(circuit(*LATCH)))
    listed = parameters(made.resolved)
    heard: list[tuple[int, int]] = []

    def until_twenty(done: int, asked: int) -> bool:
        heard.append((done, asked))
        return done < 20

    samples = sampled_states(made, listed, drawn(listed, 35, 4), progress=until_twenty)
    assert heard == [(10, 35), (20, 35)]
    assert (samples.done, samples.complete) == (20, False)


def test_a_network_that_contradicts_itself_is_refused() -> None:
    made = network(circuit(supply("V1", "vp", "gnd", 9.0), supply("V2", "vp", "gnd", 5.0)))
    with pytest.raises(ValueError, match="V1"):
        sampled_states(made, (), np.zeros((1, 0)))


def test_many_junctions_are_left_to_the_ordinary_enumeration() -> None:
    parts = [supply("V1", "vp", "gnd", 12.0, low=11.0, high=13.0)]
    for k in range(7):
        parts += [
            pnp(f"P{k}", f"c{k}", f"b{k}", "vp", 100.0),
            resistor(f"R{k}", f"b{k}", "gnd", 47e3),
            load(f"H{k}", f"c{k}", "gnd", 1e3),
        ]
    made = network(circuit(*parts))
    listed = parameters(made.resolved)
    samples = sampled_states(made, listed, drawn(listed, 2, 1))
    assert samples.reexamined == 2
    assert samples.complete
    assert samples.counts.tolist() == [1, 1]
