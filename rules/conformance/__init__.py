"""Does a rule keep the contract?  For anyone who writes one; needs no test framework.

::

    from rules.conformance import check_rule

    for result in check_rule(RULE):
        print(result)

or, from a shell, ``python -m rules.conformance package.module:RULE``.  In pytest::

    @pytest.mark.parametrize("check", CHECKS)
    def test_my_rule_keeps_the_contract(check: str) -> None:
        result = check_rule(RULE, only=(check,))[0]
        assert result.passed, result.detail

What is asked (:data:`CHECKS`): the metadata are complete (``metadata``); it fires on the failing circuit of
its lesson and judges the passing one in silence (``fires``, ``silent``); turning the lesson's dial from good
to bad, it is silent up to the limit and fires from it on, with the sign of the margin (``both-sides``), and
the margin never rises on the way (``monotone``); names, the order of a document and the way a part is drawn
change nothing (``renaming``, ``reordering``, ``redrawing``); it says the same twice and under any hash seed
(``deterministic``); it changes nothing (``pure``); it does not work without end (``budget``); it reads its
limits from itself (``limits``), so that a policy can set them; what it proposes is proven (``remedy``, with a
prover: ``service.proving.prove`` is that of the service); and a broken analysis is no verdict (``crash``).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from rules.conformance.checks import CHECKS as _CHECKS
from rules.conformance.checks import ran
from rules.conformance.trial import Prove, Trial

CHECKS: tuple[str, ...] = tuple(_CHECKS)
"""Names of the checks, in the order in which they are told."""


@dataclass(frozen=True, slots=True)
class Result:
    """One check of one rule: passed or not, and what was seen."""

    rule: str
    check: str
    passed: bool
    detail: str

    def __str__(self) -> str:
        return f"{'passed' if self.passed else 'FAILED'}  {self.rule}: {self.check}: {self.detail}"


def check_rule(
    rule: Any, prove: Prove | None = None, *, name: str | None = None, only: Sequence[str] = CHECKS
) -> tuple[Result, ...]:
    """Every check of one rule object.  Never raises for what the rule is or does.

    ``prove`` judges a document by the rule alone and gives its findings with proven remedies; ``name``
    (``package.module:RULE``) lets the rule be asked in another process too; ``only`` chooses checks.
    """
    return results(Trial(rule, prove, name), only)


def results(trial: Trial, only: Sequence[str] = CHECKS) -> tuple[Result, ...]:
    """The checks of a trial that is at hand: what it has run already is not run again."""
    slug = str(getattr(trial.rule, "slug", trial.rule))
    return tuple(Result(slug, check, *ran(check, trial)) for check in only)


__all__ = ["CHECKS", "Prove", "Result", "Trial", "check_rule", "results"]
