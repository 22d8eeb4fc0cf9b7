"""What only a world that sees everything can judge of a run that people took back, gave another end or had followed by
another: that a board which could hear of it lets go of the rest."""

from __future__ import annotations

from typing import Any

import numpy as np

from machines.drivers.simulated.paper import Records
from machines.serialization import parse_instant
from server.demo.judging.column_outcomes import reported_as
from server.demo.judging.evidence import Evidence
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
    rows = [row for status, row in answers if status == 200 and _is_heard(stage, row)]
    return [complaint for row in rows for complaint in _beyond(stage, row)]


def _said_at(row: dict[str, Any]) -> float | None:
    """When people said last where a run ends, POSIX seconds; None where they never did."""
    said_at = row["withdrawn_at"] or row["ended_at"]
    return None if said_at is None else parse_instant(said_at).timestamp()


def _is_heard(stage: Stage, row: dict[str, Any]) -> bool:
    said_at = _said_at(row)
    return said_at is not None and can_be_let_go(stage.scenario, (said_at - stage.begins.timestamp()) / 3600.0)


def _beyond(stage: Stage, row: dict[str, Any]) -> list[str]:
    said_at = _said_at(row)
    assert said_at is not None
    count = laid_beyond(evidence_of(stage), row, said_at + 3600.0 * HEARD_WITHIN_H)
    end = first_let_go(row)
    return [f"{count} columns of {row['id']} were laid long after it was let go from column {end} on"] if count else []


def first_let_go(row: dict[str, Any]) -> int:
    """The first column of a run that is not to be laid any more."""
    return int(row["end_column"] if row["withdrawn_at"] is None else row["first_column"])


def laid_beyond(evidence: Evidence, row: dict[str, Any], since: float) -> int:
    """How many columns that were let go of were laid all the same since an instant, POSIX seconds."""
    laid = laid_of(evidence, row)
    return int(np.sum((laid["column"] >= first_let_go(row)) & (laid["at"] > since)))


def laid_of(evidence: Evidence, row: dict[str, Any]) -> Records:
    """What was laid of a run. Where another run has its columns now, only what a board told as of this one."""
    laid, of_runs = evidence.of_pictures, reported_as(evidence)
    unsaid = () if row["followed_by"] else (row["id"],)
    where = zip(laid["column"].tolist(), laid["place"].tolist(), strict=True)
    is_own = np.array([row["id"] in of_runs.get(one, unsaid) for one in where], dtype=np.bool_)
    found: Records = laid[is_own & (laid["column"] >= row["first_column"]) & (laid["column"] < row["longest_column"])]
    return found
