"""A node's calls and the planner, in the server's own process, on SQLite with synchronous FULL.

| name | baseline | ours | goal |
| --- | --- | --- | --- |
| node-clock | the same application says that it lives | tells a node the time | 0.4 |
| poll-304 | a bare view of the same application reads one row | tells a node that its week of work is the same | 0.7 |
| report-none | the same application says that it lives | takes a report without entries | 0.2 |
| report-one | the same application says that it lives | takes a report of one entry, views folded | 0.12 |
| report-batch | the raw driver inserts 100 rows in a transaction | takes a report of 100 entries, views folded | 0.18 |
| report-columns | the same, of these rows | takes a report of 100 parts of segments, views folded | 0.08 |
| extend-idle-1000 | 20 ms, promised | asks three things at most and finds none of a thousand planned runs due | 1 |

A batch was to be at 0.3. What is not of its entries takes 2.6 baselines already: 1.5 the same inserts with the log's
triggers and the commits of facts and of the heartbeat, 0.8 the application around a call, 0.3 its questions. That is
0.7 short of it, some 10 us an entry, where reading, judging, its text and digest, and folding take some 25. Parts of
segments also write a row of a view each, and one of a segment for every fourth.

What says that it lives asks nobody and no database: it is what the application itself costs, with all that stands
before a call. The bare view is the first address that is looked for, on the same database; the poll asks two things of
it. Both take turns, and the processor's time that the fastest tenth stayed below counts.
"""

from __future__ import annotations

from tests.benchmarks.own_process import measured
from tests.benchmarks.row import Row


def rows() -> list[Row]:
    """The measurements, in a process of their own."""
    return [Row(one["name"], one["baseline"], one["ours"], "s", one["goal"]) for one in measured("calls_rounds")]
