"""What docstrings say of errors is so: each that they name is one that there is."""

from __future__ import annotations

import ast
import builtins
import re
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
NAMED = re.compile(r"^    ([A-Z]\w+):", re.MULTILINE)


def raised(tree: ast.AST) -> set[str]:
    """Errors that docstrings of a file say are raised."""
    with_docstring = (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)
    said = [ast.get_docstring(node) or "" for node in ast.walk(tree) if isinstance(node, with_docstring)]
    return {name for text in said for part in text.split("Raises:")[1:] for name in NAMED.findall(part)}


def made(tree: ast.AST) -> set[str]:
    """Names of the classes that a file defines or imports."""
    found = {node.name for node in ast.walk(tree) if isinstance(node, ast.ClassDef)}
    return found | {
        alias.asname or alias.name
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    }


def test_every_error_that_a_docstring_names_exists() -> None:
    files = [file for floor in ("machines", "scheduling", "server") for file in sorted((ROOT / floor).rglob("*.py"))]
    trees = {str(file.relative_to(ROOT)): ast.parse(file.read_text()) for file in files}
    known = set(dir(builtins)).union(*map(made, trees.values()), {"DoesNotExist"})  # Django gives each model one
    named = {name: raised(tree) - known for name, tree in trees.items()}
    assert {name: errors for name, errors in named.items() if errors} == {}
    assert sum(len(raised(tree)) for tree in trees.values()) > 100, "or this looks for nothing"
