"""The same rules asked in another process, with another hash seed."""

from __future__ import annotations

import importlib
import json
import os
import subprocess
import sys
from collections.abc import Mapping, Sequence
from typing import Any

SEEDS = ("1", "4242")
_TIMEOUT = 600  # s; a process that hangs has to end some time


def loaded(name: str) -> Any:
    """The object that ``package.module:RULE`` names.  Raises ``ImportError`` and ``AttributeError``."""
    module, colon, attribute = name.partition(":")
    if not colon or not attribute:
        raise ImportError(f"{name!r} is not of the form package.module:RULE")
    return getattr(importlib.import_module(module), attribute)


def fingerprints(names: Sequence[str], seed: str) -> Mapping[str, str]:
    """What rules say of their lessons, as hashes by import name, in one process with this hash seed."""
    command = [sys.executable, "-m", "rules.conformance", "--fingerprints", *names]
    path = os.pathsep.join(filter(None, sys.path))
    environment = {**os.environ, "PYTHONHASHSEED": seed, "PYTHONPATH": path}
    done = subprocess.run(command, capture_output=True, text=True, timeout=_TIMEOUT, env=environment)
    if done.returncode:
        last = (done.stderr.strip().splitlines() or ["no word"])[-1]
        raise RuntimeError(f"the other process ended with {done.returncode}: {last}")
    found: dict[str, str] = json.loads(done.stdout)
    return found
