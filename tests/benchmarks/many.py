"""Two pages about every machine of the house, against the same pages about fewer, in the server's own process.

| name | baseline | ours | goal |
| --- | --- | --- | --- |
| overview-300 | 1.2 times what the first page's refresh costs a machine, of 10 | what it costs a machine, of 300 | 1 |
| overview-questions | 12, promised | what that refresh asks of the database, in as many machines as there may be | 1 |
| plan-season | 11 times what the season page of 100 machines costs | what that of 1,000 costs | 1 |

Processor's time, the quickest of some. Each machine is on a run of half a year, of which a day is planned. The season
is the page that shows what is planned for all machines over months.
"""

from __future__ import annotations

from tests.benchmarks.own_process import measured
from tests.benchmarks.row import Row

# So many times may it cost, for each machine, what it costs where there are fewer; and all for ten times as many.
MOST_TIMES_EACH, MOST_TIMES_TENFOLD, MOST_QUESTIONS = 1.2, 11.0, 12


def rows() -> list[Row]:
    """The measurements, in a process of their own."""
    found: dict[str, float] = measured("many_rounds")
    return [
        Row("overview-300", MOST_TIMES_EACH * found["overview of 10"] / 10, found["overview of 300"] / 300, "s", 1.0),
        Row("overview-questions", MOST_QUESTIONS, found["questions"], "questions", 1.0),
        Row("plan-season", MOST_TIMES_TENFOLD * found["season of 100"], found["season of 1000"], "s", 1.0),
    ]
