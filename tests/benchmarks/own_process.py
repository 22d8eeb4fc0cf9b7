"""Measurements in a process of their own, in a home of its own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]


def measured(module: str, database: str = "") -> Any:
    """What a module of ``tests.benchmarks`` prints as JSON, run by itself over an empty SQLite or another database.

    Raises:
        subprocess.CalledProcessError: it failed; what it said was printed.
    """
    with tempfile.TemporaryDirectory(prefix="dayroll-bench-") as home:
        done = subprocess.run(
            [sys.executable, "-m", f"tests.benchmarks.{module}"],
            cwd=ROOT,
            env=os.environ | {"DAYROLL_HOME": home, "DAYROLL_DATABASE": database},
            check=True,
            stdout=subprocess.PIPE,
            text=True,
        )
    return json.loads(done.stdout)
