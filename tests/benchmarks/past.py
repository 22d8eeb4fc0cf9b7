"""What a machine's past costs those who ask of what is to come, in the server's own process.

| name | baseline | ours | goal |
| --- | --- | --- | --- |
| forecast-5y | twice the forecast of a machine on a new run | the same after five years of reports | 1 |

Processor's time, the quickest of some, each as if it was the first. Both runs are in one database, print one picture
and are planned as far ahead.
"""

from __future__ import annotations

from tests.benchmarks.own_process import measured
from tests.benchmarks.row import Row

# So many times may it cost what it costs on a new run.
MOST_TIMES = 2.0


def rows() -> list[Row]:
    """The measurements, in a process of their own."""
    found: dict[str, float] = measured("past_rounds")
    return [Row("forecast-5y", MOST_TIMES * found["new"], found["old"], "s", 1.0)]
