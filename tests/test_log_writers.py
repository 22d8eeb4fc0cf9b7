"""Only `scheduling.log` writes its tables: whatever is true there was appended as an event, or kept beside the log by a
function of that room. Read from the code itself, file by file.

What is found: a writing method on a model of the log or on a query of one; a method that only rows and queries have, on
anything; and SQL that writes. `server.accounts` and
`server.metrics` have tables of their own, and write those.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
MODELS = "scheduling.log.models"
OF_QUERIES = {"create", "update", "delete", "bulk_create", "bulk_update", "get_or_create", "update_or_create"}
ON_ANYTHING = {"save", "delete", "bulk_create", "bulk_update", "get_or_create", "update_or_create"}
WRITES = OF_QUERIES | {"save"} | {f"a{name}" for name in OF_QUERIES | {"save"}}
SQL = re.compile(r"\b(INSERT\s+INTO|UPDATE\s+\w+\s+SET|DELETE\s+FROM|REPLACE\s+INTO)\b", re.IGNORECASE)
# Methods of that name on things that are no rows.
NO_ROWS = {
    ("scheduling/rendering/kept_files.py", "self.save"),
    ("server/backups/putting_back.py", "there.save"),
    ("scheduling/rendering/object_files.py", "super().delete"),
    ("scheduling/rendering/plate_store.py", "self.files.delete"),
    ("scheduling/sky/orientation.py", "np.delete"),
    ("server/console/pictures.py", "picture.save"),
    ("server/sky_report/canvas.py", "self._image.resize(self._size, Image.Resampling.LANCZOS).save"),
}


def judged() -> list[Path]:
    """Every file that must not write the log's tables."""
    every = [file for room in ("scheduling", "server") for file in (ROOT / room).rglob("*.py")]
    inside = ROOT / "scheduling" / "log"
    return sorted(file for file in every if inside not in file.parents and "migrations" not in file.parts)


def writes(source: str, *, owns_tables: bool = False) -> Iterator[tuple[int, str]]:
    """Where a program may write a table of the log: the line, and what is called.

    Args:
        source: of the program.
        owns_tables: that it has tables of its own, so that only what is done with the log's counts.
    """
    tree = ast.parse(source)
    models = _models(tree)
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in WRITES:
            of_log = bool(_names(node.func.value) & models)
            of_query = "objects" in _attributes(node.func.value) or node.func.attr.removeprefix("a") in ON_ANYTHING
            if of_log or (of_query and not owns_tables):
                yield node.lineno, ast.unparse(node.func)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and SQL.search(node.value):
            yield node.lineno, node.value


def _models(tree: ast.Module) -> set[str]:
    """What the log's models, and their module, are called in a program; and variables that hold rows of them."""
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module == MODELS:
            found |= {one.asname or one.name for one in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module == "scheduling.log":
            found |= {one.asname or one.name for one in node.names if one.name == "models"}
    for node in ast.walk(tree):
        if isinstance(node, ast.Assign | ast.AnnAssign | ast.NamedExpr) and node.value and _names(node.value) & found:
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            found |= {one.id for one in targets if isinstance(one, ast.Name)}
    return found


def _names(node: ast.expr) -> set[str]:
    """The names that an expression begins with: of ``Run.objects.filter(id=x)`` it is ``Run``, and not ``x``."""
    while isinstance(node, ast.Attribute | ast.Call | ast.Subscript):
        node = node.func if isinstance(node, ast.Call) else node.value
    return {node.id} if isinstance(node, ast.Name) else set()


def _attributes(node: ast.expr) -> set[str]:
    found = set()
    while isinstance(node, ast.Attribute | ast.Call | ast.Subscript):
        if isinstance(node, ast.Attribute):
            found.add(node.attr)
        node = node.func if isinstance(node, ast.Call) else node.value
    return found


def test_there_is_something_to_judge() -> None:
    names = {str(file.relative_to(ROOT)) for file in judged()}
    assert {"scheduling/commands/handlers.py", "server/jobs.py", "server/accounts/keys.py"} <= names
    assert not any(name.startswith("scheduling/log/") for name in names)


@pytest.mark.parametrize("file", judged(), ids=lambda file: str(file.relative_to(ROOT)))
def test_nothing_outside_the_log_writes_its_tables(file: Path) -> None:
    name = str(file.relative_to(ROOT))
    found = writes(file.read_text(), owns_tables=name.startswith(("server/accounts/", "server/metrics/")))
    assert [(line, what) for line, what in found if (name, what) not in NO_ROWS] == []


def test_every_exception_is_still_needed() -> None:
    for name, what in NO_ROWS:
        assert what in {said for _, said in writes((ROOT / name).read_text())}


IMPORT = "from scheduling.log.models import Run, Machine as Row\nfrom scheduling.log import models\n"


@pytest.mark.parametrize("owns_tables", [False, True])
@pytest.mark.parametrize(
    "mistake",
    [
        "Run.objects.create(id='a')",
        "Run.objects.filter(id='a').update(printed=3)",
        "Row.objects.using('default').bulk_create([])",
        "models.Run(id='a').save()",
        "models.Run.objects.all().delete()",
        "run = Run.objects.get(id='a')\nrun.save()",
        "if row := Row.objects.first():\n    row.delete()",
        "cursor.execute('INSERT INTO log_run VALUES (1)')",
        "cursor.execute('UPDATE log_run SET printed = 3')",
        "cursor.execute(f'DELETE FROM {table}')",
        "await Run.objects.aupdate(printed=3)",
    ],
)
def test_a_mistake_is_found(mistake: str, owns_tables: bool) -> None:
    source = mistake if not mistake.startswith("await") else f"async def go():\n    {mistake}"
    assert len(list(writes(IMPORT + source, owns_tables=owns_tables))) == 1


@pytest.mark.parametrize("mistake", ["given.save()", "Other.objects.create(id='a')", "rows.bulk_update([], ['x'])"])
def test_what_may_be_a_row_must_not_be_written_either(mistake: str) -> None:
    assert len(list(writes(mistake))) == 1
    assert list(writes(mistake, owns_tables=True)) == []


@pytest.mark.parametrize(
    "right", ["digest.update(Run)", "studio.create('runs', {})", "Run.objects.filter(id='a').first()"]
)
def test_what_writes_nothing_is_let_be(right: str) -> None:
    assert list(writes(IMPORT + right)) == []
