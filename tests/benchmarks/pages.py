"""Two pages, in the server's own process, against what was promised of them in processor's time.

| name | baseline | ours | goal |
| --- | --- | --- | --- |
| wall-100 | 0.3 s | the first page with a hundred machines, each on a run, where nothing was kept of it before | 1 |
| draft-turn | 1 s | a turn of a map, drawn small beside its form | 1 |

Here the baseline is the promise itself, in seconds, so that the ratio says how far it is kept on this computer.
"""

from __future__ import annotations

from tests.benchmarks.own_process import measured
from tests.benchmarks.row import Row

PROMISED_S = {"wall-100": 0.3, "draft-turn": 1.0}


def rows() -> list[Row]:
    """The measurements, in a process of their own."""
    found: dict[str, float] = measured("pages_rounds")
    return [Row(name, promised_s, found[name], "s", 1.0) for name, promised_s in PROMISED_S.items()]
