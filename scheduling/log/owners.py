"""Whose each run is, by the log: a node may tell only of its own machine's runs.

An entry about another machine's run is taken by no view. The log says whose a run is from the event on that
planned it, and whose it became where people moved it; of one that was a machine's before, its board may tell yet. So an
entry is judged the same whenever it is folded. One that was told of a run before anybody planned it is about no run
that is known, and finds none later that is another machine's.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple

from scheduling.log import batched_sql
from scheduling.log.events import EVENT_KINDS
from scheduling.log.events.plans import RunChanged
from scheduling.log.recorded import Recorded

_MACHINE = "machine/"
_CHANGED = EVENT_KINDS[RunChanged]
_CHANGES = "SELECT position, data FROM log_event WHERE stream = %s AND kind = %s"


class _Planned(NamedTuple):
    """An event that said whose a run is."""

    position: int
    machine: str


class Owners:
    """Whose runs are, asked of the log once for each.

    Args:
        using: alias of the database.
        found: what `asked` gave.
    """

    def __init__(self, using: str, found: Iterable[Sequence[Any]] = ()) -> None:
        self._using = using
        self._planned: dict[str, _Planned] = {}
        self._changed: dict[str, list[_Planned]] = {}
        self._keep(found)

    def foreign(self, facts: Iterable[Recorded]) -> frozenset[int]:
        """Positions of the facts that a machine tells of another machine's run."""
        return frozenset(fact.position for fact in facts if self.is_foreign(fact))

    def is_foreign(self, fact: Recorded) -> bool:
        """Whether a fact is what a machine tells of another machine's run."""
        run = getattr(fact.event, "run", None)
        if run is None or not fact.stream.startswith(_MACHINE):
            return False
        planned = self._planned.get(run) or self._find(run)
        if planned is None or planned.position >= fact.position or planned.machine == fact.subject:
            return False
        moves = self._changed.get(run) or self._find_changes(run)
        return not any(one.position < fact.position and one.machine == fact.subject for one in moves)

    def _find(self, run: str) -> _Planned | None:
        """A run that is not planned so far is asked for every time: it may be, meanwhile."""
        (found,) = batched_sql.run([planning_query([run])], using=self._using)
        self._keep(found)
        return self._planned.get(run)

    def _find_changes(self, run: str) -> list[_Planned]:
        """Asked only where another machine tells of it than the one that it was planned for."""
        (found,) = batched_sql.run([(_CHANGES, [f"run/{run}", _CHANGED])], using=self._using)
        self._changed[run] = [_Planned(position, json.loads(data)["machine"]) for position, data in found]
        return self._changed[run]

    def _keep(self, found: Iterable[Sequence[Any]]) -> None:
        for stream, position, data in found:
            self._planned[stream.partition("/")[2]] = _Planned(position, json.loads(data)["machine"])


def planning_query(runs: Sequence[str]) -> batched_sql.Statement:
    """The question for the events that planned some runs."""
    streams = [f"run/{run}" for run in runs]
    places = ", ".join(["%s"] * len(streams))
    return f"SELECT stream, position, data FROM log_event WHERE version = 1 AND stream IN ({places})", streams
