"""What only a world that sees everything can judge of a run that people took back, or gave another end: that a board
which could hear of it lets go of the rest."""

from __future__ import annotations

from typing import Any

import numpy as np

from machines.serialization import parse_instant
from tests.faults.gathering import evidence_of
from tests.faults.scenario import Scenario
from tests.faults.stage import Stage
from tests.simulated.judged_words import NOT_IN_THE_WAY, undisturbed

# A board asks again within an hour; what it has in hand by then, it lays.
HEARD_WITHIN_H = 1.25
# These keep no board from hearing of it.
PASSING = {*NOT_IN_THE_WAY, "plans-change"}


def can_be_let_go(scenario: Scenario, said_h: float) -> bool:
    """Whether a board hears in time of what people said at an hour of the scenario."""
    return undisturbed(scenario, said_h, said_h + HEARD_WITHIN_H, PASSING)


def printed_on(stage: Stage) -> list[str]:
    """Nothing is laid of what was taken back while nothing else was wrong, once the board must have heard of it."""
    if stage.scenario.neighbours or stage.ahead:
        return []
    answers = (stage.lane.studio.call("GET", f"runs/{run}") for run in stage.all_runs)
    rows = [row for status, row in answers if status == 200 and not row["followed_by"] and _is_heard(stage, row)]
    return [complaint for row in rows for complaint in _beyond(stage, row)]


def _said_at(row: dict[str, Any]) -> float | None:
    """When people said last where a run ends, POSIX seconds; None where they never did."""
    said_at = row["withdrawn_at"] or row["ended_at"]
    return None if said_at is None else parse_instant(said_at).timestamp()


def _is_heard(stage: Stage, row: dict[str, Any]) -> bool:
    said_at = _said_at(row)
    return said_at is not None and can_be_let_go(stage.scenario, (said_at - stage.begins.timestamp()) / 3600.0)


def _beyond(stage: Stage, row: dict[str, Any]) -> list[str]:
    said_at, laid = _said_at(row), evidence_of(stage).of_pictures
    assert said_at is not None
    end = row["end_column"] if row["withdrawn_at"] is None else row["first_column"]
    is_beyond = (laid["column"] >= end) & (laid["column"] < row["longest_column"])
    count = int(np.sum(is_beyond & (laid["at"] > said_at + 3600.0 * HEARD_WITHIN_H)))
    return [f"{count} columns of {row['id']} were laid long after it was let go from column {end} on"] if count else []
