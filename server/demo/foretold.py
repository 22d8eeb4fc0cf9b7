"""What the API answers about the paper at a time, before and after, against the machine's own ledger."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from machines.clock import utc
from machines.protocol.journal_entries import ColumnsPrinted
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
    """An answer given before, and what then hung there, agree column for column from the knife to the head, but at each
    end for the burst of that moment."""
    burst = day.evidence.profile.columns_per_burst
    return _promise(f"paper-foretold:{day.station.id}", day, before, "planned", lambda _: burst)


def as_told_after(day: StationDay, after: Sequence[Answer]) -> Promise:
    """An answer about what is past, and the ledger, agree column for column, but at each end for as many as it is said
    to be unsure of: no more than one report tells of."""
    return _promise(f"paper-told:{day.station.id}", day, after, "reported", _unsure)


def _promise(
    name: str, day: StationDay, answers: Sequence[Answer], source: str, allowed: Callable[[Answer], int]
) -> Promise:
    found = [(one, _hang(one), _apart(day, one)) for one in answers]
    of_a_report = max((len(entry.columns) for entry in day.evidence.of(ColumnsPrinted)), default=0)
    complaints = [
        f"{one['at']['at']}: {complaint}"
        for one, hang, apart in found
        for complaint, is_so in (
            ("nothing hangs", not hang and apart > of_a_report),  # at first all may be unsure
            (f"it is told as {one['source']}", one["source"] != source),
            (f"{_unsure(one)} columns unsure, of {of_a_report} that a report tells", _unsure(one) > of_a_report),
            (f"{apart} columns apart", apart > allowed(one)),
        )
        if is_so
    ]
    measured = {
        "answers": len(found),
        "columns_that_hang": sum(hang for _, hang, _ in found),
        "most_apart": max((apart for *_, apart in found), default=0),
        "most_unsure": max((_unsure(one) for one, *_ in found), default=0),
    }
    holds = measured["columns_that_hang"] > 0 and not complaints
    return Promise(name, holds, measured | ({"complaints": complaints} if complaints else {}))


def _unsure(answer: Answer) -> int:
    return int(answer["certainty"]["unsure_columns"])


def _hang(answer: Answer) -> int:
    """How many columns hang, as it is told."""
    return sum(part["columns"]["end_column"] - part["columns"]["first_column"] for part in answer["hangs"])


def _apart(day: StationDay, answer: Answer) -> int:
    """How many places with their columns are only told, or only lie there, at the end where there are more of them:
    towards the head, or towards the knife. Where those are, the ledger says: a head that is told a burst too late has
    the knife a burst too late as well."""
    told, profile = set(_told(answer)), day.evidence.profile
    ledger, at = day.evidence.of_pictures, parse_instant(answer["at"]["at"]).timestamp()
    laid, reach = ledger[ledger["at"] <= at], profile.knife_columns or profile.columns_per_turn
    knife = int(laid["place"].max()) + 1 - reach if len(laid) else 0
    nobody_knows = set(named(day.evidence, "unknown"))
    lies = {
        (int(one["place"]), int(one["column"]))
        for one in laid[laid["place"] >= knife]
        if int(one["column"]) not in nobody_knows
    }
    differ = told ^ lies
    at_the_knife = sum(place < knife + reach // 2 for place, _ in differ)
    return max(at_the_knife, len(differ) - at_the_knife)


def _told(answer: Answer) -> Iterator[tuple[int, int]]:
    for part in answer["hangs"]:
        columns = range(part["columns"]["first_column"], part["columns"]["end_column"])
        yield from enumerate(columns, int(part["paper_position"]))


def _ask(studio: Studio, machine: str, at: datetime) -> Answer:
    answer: Answer = studio.get(f"machines/{machine}/at?time={format_instant(at)}")
    return answer
