"""What a machine's past costs those who ask of what is to come, in the server's own process.

| name | baseline | ours | goal |
| --- | --- | --- | --- |
| forecast-5y | twice the forecast of a machine on a new run | the same after five years of reports | 1 |
| state-at-5y | four times what it costs to ask how a new run and its machine were | the same after five years | 1 |

Processor's time, the quickest of some, each as if it was the first. Both runs are in one database, print one picture
and are planned as far ahead. Asked for how they were are the rows of both, a page of segments, and the run's state with
its last days' columns, half way along and now: the dearer of the two counts. All that a run ever was takes as long as
it has rows.
"""

from __future__ import annotations

from tests.benchmarks.own_process import measured
from tests.benchmarks.row import Row

# So many times may it cost what it costs on a new run.
MOST_TIMES = 2.0
MOST_TIMES_THEN = 4.0


def rows() -> list[Row]:
    """The measurements, in a process of their own."""
    found: dict[str, float] = measured("past_rounds")
    return [
        Row("forecast-5y", MOST_TIMES * found["new"], found["old"], "s", 1.0),
        Row("state-at-5y", MOST_TIMES_THEN * found["new-state"], found["old-state"], "s", 1.0),
    ]
