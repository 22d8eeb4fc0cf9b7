"""What the API answers about the paper at a time, before and after, against the machine's own ledger."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from machines.clock import utc
from machines.serialization import format_instant, parse_instant
from server.demo.acceptance import Promise
from server.demo.judging.column_outcomes import named
from server.demo.processes import Studio
from server.demo.scenario import Station
from server.demo.station_day import StationDay

# Asked after the day: so many times, evenly over the ledger.
TIMES = 24
# Asked before it: hours from the beginning, before anything goes wrong.
BEFORE_H = (2.2, 4.2, 6.2)

Answer = Mapping[str, Any]


def ask_before(studio: Studio, station: Station, begins: datetime) -> list[Answer]:
    """What is foretold of a station's paper, of some hours before anything goes wrong."""
    hours = [hour for hour in BEFORE_H if station.outage is None or hour < station.outage.killed_h]
    return [_ask(studio, station.id, begins + timedelta(hours=hour)) for hour in hours]


def ask_after(studio: Studio, day: StationDay) -> list[Answer]:
    """What is told of it afterwards, between bursts of its ledger."""
    at = np.unique(day.evidence.of_pictures["at"])
    chosen = np.unique(np.linspace(0, len(at) - 2, TIMES).astype(int))
    middles = (at[chosen] + at[chosen + 1]) / 2
    return [_ask(studio, day.station.id, utc(float(one))) for one in middles]


def as_foretold(day: StationDay, before: Sequence[Answer]) -> Promise:
    """An answer given before, and what then hung there, agree column for column, but for the burst of that moment."""
    burst = day.evidence.profile.columns_per_burst
    return _promise(f"paper-foretold:{day.station.id}", day, before, "planned", lambda _: burst)


def as_told_after(day: StationDay, after: Sequence[Answer]) -> Promise:
    """An answer about what is past, and the ledger, agree column for column, but for as many as it is said to be unsure
    of."""
    return _promise(
        f"paper-told:{day.station.id}", day, after, "reported", lambda one: int(one["certainty"]["unsure_columns"])
    )


def _promise(name: str, day: StationDay, answers: Sequence[Answer], source: str, allowed: Any) -> Promise:
    apart = [len(_differ(day, one)) for one in answers]
    complaints = [
        f"{one['at']['at']}: {off} columns apart"
        for one, off in zip(answers, apart, strict=True)
        if off > allowed(one) or one["source"] != source
    ]
    columns = sum(
        part["columns"]["end_column"] - part["columns"]["first_column"] for a in answers for part in a["hangs"]
    )
    measured = {"answers": len(answers), "columns_that_hang": columns, "most_apart": max(apart, default=0)}
    holds = columns > 0 and not complaints
    return Promise(name, holds, measured | ({"complaints": complaints} if complaints else {}))


def _differ(day: StationDay, answer: Answer) -> set[tuple[int, int]]:
    """Places with their columns that are only told, or only lie there, between knife and head as they are told."""
    told = set(_told(answer))
    ledger, at = day.evidence.of_pictures, parse_instant(answer["at"]["at"]).timestamp()
    nearest = min((place for place, _ in told), default=int(answer["paper_position"]))
    there = ledger[(ledger["at"] <= at) & (ledger["place"] >= nearest)]
    nobody_knows = set(named(day.evidence, "unknown"))
    lies = {(int(one["place"]), int(one["column"])) for one in there if int(one["column"]) not in nobody_knows}
    return told ^ lies


def _told(answer: Answer) -> Iterator[tuple[int, int]]:
    for part in answer["hangs"]:
        columns = range(part["columns"]["first_column"], part["columns"]["end_column"])
        yield from enumerate(columns, int(part["paper_position"]))


def _ask(studio: Studio, machine: str, at: datetime) -> Answer:
    answer: Answer = studio.get(f"machines/{machine}/at?time={format_instant(at)}")
    return answer
