"""Root causes first: which finding another one rests on.

A rule names the cause of its finding where it surely knows it.  Beyond that a
cause is taken from proofs only: a finding that nothing of its own mends, and
that a proven remedy of another one, as severe or more, takes away with it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Set
from dataclasses import replace

from schemas.finding import SEVERITIES, Finding


def rooted(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """Every ``caused_by`` led back to its root; one that leads nowhere or in a circle is taken off."""
    named = {finding.identity: finding.caused_by for finding in findings}
    return tuple(
        finding if finding.caused_by is None else replace(finding, caused_by=_root(finding.identity, named))
        for finding in findings
    )


def _root(identity: str, named: Mapping[str, str | None]) -> str | None:
    seen = {identity}
    root, here = None, named[identity]
    while here is not None and here in named:
        if here in seen:
            return None
        seen.add(here)
        root, here = here, named[here]
    return root


def with_proven_causes(
    findings: Sequence[Finding], cleared: Mapping[str, Set[str]]
) -> tuple[Finding, ...]:
    """``findings`` with the causes that proofs show.

    ``cleared`` maps the identity of a finding to those that its first proven
    remedy takes away with it.  Findings that have a cause or a remedy keep what
    they have.
    """
    made = []
    for finding in findings:
        if finding.caused_by is None and not finding.remedies:
            roots = [
                other.identity
                for other in findings
                if other.identity != finding.identity
                and finding.identity in cleared.get(other.identity, ())
                and SEVERITIES.index(other.severity) <= SEVERITIES.index(finding.severity)
            ]
            finding = replace(finding, caused_by=roots[0]) if roots else finding
        made.append(finding)
    return rooted(made)
