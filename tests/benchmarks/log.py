"""The log against the raw driver, on SQLite with synchronous FULL and on PostgreSQL with fsync.

| name | baseline: the raw driver ... | ours | goal |
| --- | --- | --- | --- |
| append-one | inserts a row a transaction | the store alone appends an event a transaction | 0.3 |
| append-batch | inserts 100 rows a transaction, as a node's backlog | the store alone appends 100 events | 0.3 |
| command-one | inserts a row a transaction | takes a node's report of one segment, views folded | 0.1 |
| fold | reads the rows and decodes their JSON | folds every event into the rows of every view, in memory | 0.3 |
| rebuild | reads the rows and decodes their JSON | folds, writes the rows, compares them with the live | 0.02 |
| run-state | reads the newest 100 of a run's 100,000 events | reads the run and the newest 100 of its segments | 0.1 |

`fold` is what a question about the past costs: events are read, made into their dataclasses, and folded into the rows
that pages read, which stay in memory. `rebuild` is all of `dayroll log rebuild`; its goal is only a guard. Both are for
one event of a run as it goes: every segment planned first, a turn of 48 in one event, and then printed, in one report
or in four.

The raw driver inserts the same rows in the same transactions into a table with the same indexes, and has no triggers to
pass. Both take turns, one transaction each, and the time that the fastest tenth stayed below counts.
"""

from __future__ import annotations

from tests import services
from tests.benchmarks.own_process import measured
from tests.benchmarks.row import Row


def rows() -> list[Row]:
    """The measurements, each in a process of its own with that database as the server's."""
    with services.postgresql(settings=services.CAREFUL) as url:
        return [*_measured("sqlite", ""), *_measured("postgresql", url)]


def _measured(engine: str, url: str) -> list[Row]:
    return [
        Row(f"log-{one['name']}-{engine}", one["baseline"], one["ours"], "s", one["goal"])
        for one in measured("log_rounds", url)
    ]


if __name__ == "__main__":
    for row in rows():
        print(
            f"{row.name:<28} {row.baseline * 1e6:>12.0f} us {row.ours * 1e6:>12.0f} us  {row.ratio:6.3f}"
            f"  goal {row.goal}  {'holds' if row.holds else 'MISSED'}"
        )
