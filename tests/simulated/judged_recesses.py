"""What only a world that sees everything can judge of a run that people hold: that a board which could hear of it lays
nothing in its recess."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np

from machines.serialization import parse_instant
from tests.faults.gathering import evidence_of
from tests.faults.stage import Stage
from tests.simulated.judged_ends import HEARD_WITHIN_H, can_be_let_go

FOREVER = float("inf")


def printed_in_recess(stage: Stage) -> list[str]:
    """Nothing is laid while a run is held and nothing else was wrong, once the board must have heard of it."""
    if stage.scenario.neighbours or stage.ahead:
        return []
    found = []
    for run in stage.runs:
        row_status, row = stage.lane.studio.call("GET", f"runs/{run}")
        status, told = stage.lane.studio.call("GET", f"runs/{run}/history")
        if (row_status, status) == (200, 200):
            found += [complaint for span in _to_be_empty(stage, told["steps"]) for complaint in _laid(stage, row, span)]
    return found


def _to_be_empty(stage: Stage, steps: list[dict[str, Any]]) -> list[tuple[float, float]]:
    """The spans in which nothing may be laid, POSIX seconds: of each word until the next, what a board has heard of."""
    words = [(_posix(step["said_at"]), field["after"]) for step in steps for field in _said_of_holds(step)]
    found = []
    for (said_at, holds), (next_at, _) in pairwise([*words, (FOREVER, [])]):
        if not can_be_let_go(stage.scenario, (said_at - stage.begins.timestamp()) / 3600.0):
            continue
        for one in holds:
            ends_at = FOREVER if one["ends_at"] is None else _posix(one["ends_at"])
            first = max(_posix(one["starts_at"]), said_at + 3600.0 * HEARD_WITHIN_H)
            found.append((first, min(ends_at, next_at)))
    return [span for span in found if span[0] < span[1]]


def _said_of_holds(step: dict[str, Any]) -> list[dict[str, Any]]:
    return [field for field in step["fields"] if field["field"] == "holds"]


def _posix(instant: str) -> float:
    return parse_instant(instant).timestamp()


def _laid(stage: Stage, row: dict[str, Any], span: tuple[float, float]) -> list[str]:
    evidence = evidence_of(stage)
    laid, profile = evidence.of_pictures, evidence.profile
    burst_s = profile.columns_per_burst * row["mean_turn_s"] / profile.columns_per_turn
    is_of_run = (laid["column"] >= row["first_column"]) & (laid["column"] < row["longest_column"])
    # What was given to the machine before it begins is whole.
    count = int(np.sum(is_of_run & (laid["at"] >= span[0] + burst_s) & (laid["at"] < span[1])))
    return [f"{count} columns of {row['id']} were laid while it was held, between {span}"] if count else []
