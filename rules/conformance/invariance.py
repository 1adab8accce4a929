"""Checks that nothing changes a verdict but what should, and that a rule changes nothing."""

from __future__ import annotations

from typing import Any

from rules.analysis.study import Study
from rules.conformance.circuits import redrawn, renamed, reordered
from rules.conformance.elsewhere import SEEDS, fingerprints
from rules.conformance.trial import Failed, Outcomes, Trial, difference, fail_if, fingerprint
from schemas.circuit import Circuit


def renaming(trial: Trial) -> str:
    """Other names of parts and nets, in the reverse order, change no verdict."""
    for found, said in trial.both:
        other, names = renamed(found.circuit)
        fail_if(difference(said, trial.ask(other), found.circuit, names))
    return "both circuits under other names"


def reordering(trial: Trial) -> str:
    """The order of parts, pins and remarks changes no verdict."""
    for found, said in trial.both:
        fail_if(difference(said, trial.ask(reordered(found.circuit)), found.circuit))
    return "both circuits in the reverse order"


def redrawing(trial: Trial) -> str:
    """Turning round a part whose two pins are alike changes no verdict and no identity."""
    for found, said in trial.both:
        after = trial.ask(redrawn(found.circuit))
        fail_if(difference(said, after, found.circuit))
        lost = _identities(said) ^ _identities(after)
        if lost:
            raise Failed(f"the identity of a finding hangs on which way round a part is drawn: {min(lost)}")
    return "every part with the pins a and b turned round"


def _identities(outcomes: Outcomes) -> set[str]:
    return {outcome.finding.identity for outcome in outcomes if outcome.finding is not None}


def deterministic(trial: Trial) -> str:
    """Asked twice it says the same, word for word; and in processes with other hash seeds."""
    for found, said in trial.both:
        again = trial.ask(found.circuit, proposing=True)
        if again != said and repr(again) != repr(said):
            raise Failed("asked twice of one circuit, it says different things")
    if trial.name is None:
        return "asked twice; not asked in another process, since no import name was given"
    here = fingerprint(trial)
    for seed in SEEDS:
        if fingerprints((trial.name,), seed)[trial.name] != here:
            raise Failed(f"with PYTHONHASHSEED={seed} it says something else")
    return f"asked twice here, and with the hash seeds {', '.join(SEEDS)}"


def pure(trial: Trial) -> str:
    """The rule changes neither itself nor the circuit nor the study and its states."""
    for found in (trial.failing, trial.passing):
        circuit = found.circuit
        study = Study(circuit)
        before = _picture(trial.rule, study, circuit)
        members = set(vars(study)) | _cached(Study)
        trial.heard(study)
        after = _picture(trial.rule, study, circuit)
        for what, was in before.items():
            if after[what] != was:
                raise Failed(f"the rule changed {what}")
        strange = set(vars(study)) - members
        if strange:
            raise Failed(f"the rule left {', '.join(sorted(strange))} on the study")
    return "rule, circuit, study and states are as they were"


def _cached(kind: type) -> set[str]:
    return {name for name in dir(kind) if not name.startswith("__")}


def _picture(rule: Any, study: Study, circuit: Circuit) -> dict[str, str]:
    own = dict(vars(rule)) if hasattr(rule, "__dict__") else {}
    states = [
        (state.name, sorted(state.nets.items()), [(k, sorted(v.items())) for k, v in state.currents.items()])
        for found in study.state_sets()
        for state in found.states
    ]
    return {
        "its own members": repr(sorted(own.items())),
        "its class": repr(sorted(k for k in vars(type(rule)) if not k.startswith("__"))),
        "its limits": repr(sorted(rule.limits.items())),
        "its grounds": repr(rule.grounds),
        "its lesson": repr(rule.lesson),
        "the circuit": repr(circuit),
        "the study": repr((study.circuit is circuit, study.step_budget, study.proposing, study.corners)),
        "the preferences": repr(study.preferences),
        "a state": repr(states),
    }
