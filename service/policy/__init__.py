"""Policy: what a team decides beside the rules, in files called ``thumbrule.toml``.

A policy never touches a rule: :func:`apply` takes a rule set and gives another one, with copies of the rules
whose limits it changes.  What it changed is told with every review.

* ``[limits.SLUG]`` other limits, a number in the SI unit or text with the unit;
* ``[severity]`` the severity of every finding of a rule.  It replaces what the rule says, downwards and
  upwards; ``error`` is refused while a limit of the rule is from memory;
* ``[rules]`` ``run`` (only these) and ``skip`` (not these; counts more than ``run``);
* ``[series]`` the preferred series for resistors, electrolytic, film and ceramic capacitors;
* ``[plugins]`` ``allowed``: only rules of these distributions are loaded; without it, those of all;
* ``[derating]`` ``profile``: a published set of shares; what ``[limits]`` says counts more;
* ``extends``: other policy files, by their path from the folder of this file; a later one counts more than
  an earlier one, the file itself most.  A list replaces a list.

The file that counts is the nearest one in the folder of the circuit or above it, up to the root of the
repository; or the one that is named.
"""

from service.policy.applying import allowed_rules, apply, installed_under
from service.policy.files import DISK, Disk, Files, load, nearest, shown
from service.policy.model import NAME, NO_POLICY, Policy, PolicyRefused, Setting
from service.policy.profiles import PROFILES
from service.policy.reading import read_policy
from service.policy.showing import effective

__all__ = [
    "DISK",
    "NAME",
    "NO_POLICY",
    "PROFILES",
    "Disk",
    "Files",
    "Policy",
    "PolicyRefused",
    "Setting",
    "allowed_rules",
    "apply",
    "effective",
    "installed_under",
    "load",
    "nearest",
    "read_policy",
    "shown",
]
