"""What only a world that sees everything can judge of a run that people hold: that a board which could hear of it lays
nothing in its recess."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np

from machines.serialization import parse_instant
from server.demo.judging.evidence import Evidence
from server.demo.judging.judged_paper import EARLIEST_COLUMNS
from tests.faults.gathering import evidence_of
from tests.faults.stage import Stage
from tests.simulated.judged_ends import HEARD_WITHIN_H, can_be_let_go, laid_of

FOREVER = float("inf")


def printed_in_recess(stage: Stage) -> list[str]:
    """Nothing is laid while a run is held and nothing else was wrong, once the board must have heard of it."""
    if stage.scenario.neighbours or stage.ahead:
        return []
    found = []
    for run in stage.all_runs:
        row_status, row = stage.lane.studio.call("GET", f"runs/{run}")
        status, told = stage.lane.studio.call("GET", f"runs/{run}/history")
        if (row_status, status) == (200, 200):
            spans = _to_be_empty(stage, told["steps"])
            found += [complaint for span in spans for complaint in _complaints(stage, row, span)]
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


def _complaints(stage: Stage, row: dict[str, Any], span: tuple[float, float]) -> list[str]:
    count = laid_within(evidence_of(stage), row, span)
    return [f"{count} columns of {row['id']} were laid while it was held, between {span}"] if count else []


def laid_within(evidence: Evidence, row: dict[str, Any], span: tuple[float, float]) -> int:
    """How many columns of a run were laid in a span, POSIX seconds, but for what was given to the machine before it,
    which is whole, and for what comes too early by no more than a board may be unsure of the time."""
    laid, profile = laid_of(evidence, row), evidence.profile
    column_s = row["mean_turn_s"] / profile.columns_per_turn
    begins, ends = span[0] + profile.columns_per_burst * column_s, span[1] - EARLIEST_COLUMNS * column_s
    return int(np.sum((laid["at"] >= begins) & (laid["at"] < ends)))
