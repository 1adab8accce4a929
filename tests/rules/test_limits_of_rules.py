"""Limits are read from the rule when it judges, never from the module: a policy sets them on a copy."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

RULES = Path(__file__).resolve().parents[2] / "rules"
FILES = sorted(path for path in RULES.glob("*.py") if path.name != "__init__.py")


def limits_of(tree: ast.Module) -> set[str]:
    """Names that a module binds to a Limit."""
    found = set()
    for node in tree.body:
        value = node.value if isinstance(node, ast.Assign | ast.AnnAssign) else None
        if isinstance(value, ast.Call) and isinstance(value.func, ast.Name) and value.func.id == "Limit":
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]  # type: ignore[union-attr]
            found |= {target.id for target in targets if isinstance(target, ast.Name)}
    return found


def misread(tree: ast.Module) -> list[str]:
    """Where the value of a module's Limit is read inside of a function."""
    known = limits_of(tree)
    return [
        f"line {node.lineno}: {node.value.id}.value"
        for function in ast.walk(tree)
        if isinstance(function, ast.FunctionDef)
        for node in ast.walk(function)
        if isinstance(node, ast.Attribute)
        and node.attr == "value"
        and isinstance(node.value, ast.Name)
        and node.value.id in known
    ]


def test_a_limit_of_the_module_is_found_out() -> None:
    text = "A = Limit('a', 1.0, '', 's')\ndef f(self):\n    return A.value + self.limits['a'].value\n"
    assert misread(ast.parse(text)) == ["line 3: A.value"]


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_no_rule_reads_a_limit_from_its_module(path: Path) -> None:
    assert not misread(ast.parse(path.read_text(encoding="utf-8")))
