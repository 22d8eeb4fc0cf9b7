"""Collects what the checks against published values measured.

The table is printed at the end of a run. To write it into a file, between the markers of :mod:`errors`::

    make test ARGS="-n 0 tests/reference" SKY_ERRORS=scheduling/sky/ACCURACY.md
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.reference.errors import Errors, markdown, replace_table

_errors = Errors()


@pytest.fixture(scope="session")
def errors() -> Errors:
    """Where a check notes what it measured."""
    if "SKY_ERRORS" in os.environ and "PYTEST_XDIST_WORKER" in os.environ:
        raise pytest.UsageError("SKY_ERRORS needs all checks in one process: add -n 0")
    return _errors


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Print the table; write it where SKY_ERRORS says."""
    if not _errors.noted:
        return
    table = markdown(_errors.noted)
    terminalreporter.write_sep("-", "errors of the sky")
    terminalreporter.write_line(table)
    if path := os.environ.get("SKY_ERRORS"):
        replace_table(Path(path), table)
        terminalreporter.write_line(f"written to {path}")
