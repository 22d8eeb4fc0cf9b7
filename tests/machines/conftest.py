"""What the tests of machines leave as they found it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from machines.drivers.simulated.paper import PaperWriter


@pytest.fixture(autouse=True)
def papers_closed(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A machine that loses its power closes nothing. A process that goes on after it would soon have more files open
    than `select` knows numbers for."""
    begin, end, still_open = PaperWriter.__init__, PaperWriter.close, dict[int, PaperWriter]()

    def begun(self: PaperWriter, *arguments: Any) -> None:
        begin(self, *arguments)
        still_open[id(self)] = self

    def closed(self: PaperWriter) -> None:
        del still_open[id(self)]  # its numbers may be another file's from now on
        end(self)

    monkeypatch.setattr(PaperWriter, "__init__", begun)
    monkeypatch.setattr(PaperWriter, "close", closed)
    yield
    for paper in still_open.values():
        end(paper)
