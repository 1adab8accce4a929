"""``python -m rules.conformance package.module:RULE``: every check of a rule, one line each."""

from __future__ import annotations

import argparse
import json
import sys

from rules.conformance import CHECKS, Trial, check_rule
from rules.conformance.elsewhere import loaded
from rules.conformance.trial import fingerprint


def main(arguments: list[str] | None = None) -> int:
    """0 when every check is passed, 1 when one is not, 2 when a rule cannot be loaded."""
    parser = argparse.ArgumentParser(prog="python -m rules.conformance", description=__doc__)
    parser.add_argument("rules", nargs="+", metavar="package.module:RULE")
    parser.add_argument("--only", action="append", choices=CHECKS, help="a check; may be repeated")
    parser.add_argument("--prove", metavar="package.module:FUNCTION", help="what proves remedies")
    parser.add_argument("--fingerprints", action="store_true", help=argparse.SUPPRESS)
    asked = parser.parse_args(arguments)
    try:
        found = {name: loaded(name) for name in asked.rules}
        prove = loaded(asked.prove) if asked.prove else None
    except (ImportError, AttributeError) as error:
        print(f"cannot be loaded: {error}", file=sys.stderr)
        return 2
    if asked.fingerprints:
        print(json.dumps({name: fingerprint(Trial(rule)) for name, rule in found.items()}))
        return 0
    passed = True
    for name, rule in found.items():
        for result in check_rule(rule, prove, name=name, only=asked.only or CHECKS):
            print(result)
            passed = passed and result.passed
    return 0 if passed else 1


if __name__ == "__main__":
    sys.exit(main())
