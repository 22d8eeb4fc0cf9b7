"""`make bench`: every measurement as a ratio to a baseline measured in the same run.

Prints a table and writes `var/bench.json`. Ends with 1 where a ratio is below its goal.
"""

from __future__ import annotations

import argparse
import importlib
import json
import os
import sys
from pathlib import Path
from types import ModuleType

from tests.benchmarks.row import Row

MODULES = (
    "sky", "pictures", "log", "calls", "pages", "many", "passages", "past", "rebuilding", "node", "rehearsal",
)  # fmt: skip
BENCH_JSON = Path("var") / "bench.json"


def line(row: Row) -> str:
    """A row of the table."""
    mark = "" if row.holds else "  below its goal"
    return f"{row.name:24} {row.baseline:12.4g} {row.ours:12.4g} {row.unit:10} {row.ratio:9.3g} {row.goal:7.3g}{mark}"


def main() -> int:
    """Measure what was asked for, or everything."""
    parser = argparse.ArgumentParser(prog="make bench", description=__doc__)
    parser.add_argument("modules", nargs="*", default=MODULES, help=f"of: {', '.join(MODULES)} (default: all)")
    chosen = parser.parse_args().modules
    print(f"{'name':24} {'baseline':>12} {'ours':>12} {'unit':10} {'ratio':>9} {'goal':>7}", flush=True)
    found: list[Row] = []
    for name in chosen:
        module: ModuleType = importlib.import_module(f"tests.benchmarks.{name}")
        for row in module.rows():
            print(line(row), flush=True)
            found.append(row)
    BENCH_JSON.parent.mkdir(exist_ok=True)
    BENCH_JSON.write_text(json.dumps([row.as_json() for row in found], indent=2) + "\n")
    print(f"\n{sum(row.holds for row in found)} of {len(found)} goals reached; {BENCH_JSON}")
    return 0 if all(row.holds for row in found) else 1


if __name__ == "__main__":
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "server.settings")
    sys.exit(main())
