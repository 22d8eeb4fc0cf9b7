"""What a rebuild beside a living server costs those who report meanwhile, at 300 machines of 430 segments each.

| name | baseline | ours | goal |
| --- | --- | --- | --- |
| rebuild-hold-sqlite, -postgresql | 0.25 s, the limit | the longest that a report waited for its turn, all equal | 1 |
| rebuild-swap-sqlite, -postgresql | the same | the same, where each row of the largest table is to be put right | 1 |

A board reports all the while, a process of its own, ten times a second; how long it waited is what the store says when
it has appended. On SQLite that holds the time for which SQLite itself has it sleep before it tries again.
"""

from __future__ import annotations

from tests import services
from tests.benchmarks.own_process import measured
from tests.benchmarks.row import Row

# So long may a rebuild keep anybody from appending, seconds.
LONGEST_S = 0.25


def rows() -> list[Row]:
    """The measurements, each in a process of its own with that database as the server's."""
    with services.postgresql(settings=services.CAREFUL) as url:
        return [*_measured("sqlite", ""), *_measured("postgresql", url)]


def _measured(engine: str, url: str) -> list[Row]:
    found: dict[str, float] = measured("rebuilding_rounds", url)
    return [Row(f"{name}-{engine}", LONGEST_S, longest_s, "s", 1.0) for name, longest_s in found.items()]
