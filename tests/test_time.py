"""One clock for each process: nothing else asks the system what time it is, so that a day can be played in a minute."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
# What tells the time of day. Lengths of time (`time.monotonic`, `time.perf_counter`) tell none.
TELLS = {
    "time": {
        "time",
        "time_ns",
        "localtime",
        "gmtime",
        "ctime",
        "asctime",
        "strftime",
        "clock_gettime",
        "clock_gettime_ns",
    },
    "datetime": {"now", "utcnow", "today"},
    "date": {"today"},
    "timezone": {"now", "localtime", "localdate"},
}
MAY = {
    "machines/clock.py": {"time.time", "time.clock_gettime"},
    # A wall clock that a battery keeps or a time service sets, asked for what it says beside the server's time.
    "machines/node/clock/system_clocks.py": {"time.time"},
    # Where the compressed clocks of the demonstration begin.
    "server/demo/story.py": {"time.clock_gettime"},
}


def asks(tree: ast.AST) -> set[str]:
    """What a file asks for the time of day, also by a name of its own for a module or a function."""
    found, modules = set(), {name: name for name in TELLS}
    for node in ast.walk(tree):
        if isinstance(node, ast.Import | ast.ImportFrom):
            module = getattr(node, "module", None)
            modules |= {alias.asname: alias.name for alias in node.names if alias.asname and alias.name in TELLS}
            found |= {f"time.{alias.name}" for alias in node.names if module == "time" and alias.name in TELLS["time"]}
            found |= {alias.name for alias in node.names if module == "django.utils.timezone"}
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute):
            of = node.value.attr if isinstance(node.value, ast.Attribute) else getattr(node.value, "id", "")
            if node.attr in TELLS.get(modules.get(of, ""), ()):
                found.add(f"{modules[of]}.{node.attr}")
        elif isinstance(node, ast.keyword) and node.arg in ("auto_now", "auto_now_add"):
            found.add(node.arg)
    return found


def test_nothing_else_asks_the_system_for_the_time() -> None:
    files = [file for floor in ("machines", "scheduling", "server") for file in (ROOT / floor).rglob("*.py")]
    found = {str(file.relative_to(ROOT)): asks(ast.parse(file.read_text())) for file in files}
    assert {name: asked for name, asked in found.items() if asked} == MAY


@pytest.mark.parametrize(
    ("code", "asked"),
    [
        ("import time\nnow = time.time()", {"time.time"}),
        ("import time as clock\nnow = clock.time_ns", {"time.time_ns"}),
        ("from time import localtime", {"time.localtime"}),
        ("import datetime\nnow = datetime.datetime.now(datetime.UTC)", {"datetime.now"}),
        ("from datetime import date as day\ntoday = day.today()", {"date.today"}),
        ("from django.utils import timezone\nsoon = timezone.now()", {"timezone.now"}),
        ("field = DateTimeField(auto_now=True)", {"auto_now"}),
        ("import time\nlong_ago = time.monotonic()", set()),
    ],
)
def test_whoever_asks_is_seen(code: str, asked: set[str]) -> None:
    assert asks(ast.parse(code)) == asked
