"""What hangs at each venue when the doors open: said a day before by the API, and then seen on the paper."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from machines.serialization import format_instant, parse_instant
from scheduling.sky.zones import zone
from server.demo.acceptance import Promise
from server.demo.judging.column_outcomes import named
from server.demo.processes import Studio
from server.demo.scenario import VENUES, Station
from server.demo.station_day import StationDay

DAY_BEFORE = timedelta(hours=24)


@dataclass(frozen=True, kw_only=True)
class Doors:
    """An opening, and what was said of it.

    Attributes:
        opens_at: UTC, as the API showed the opening.
        asked_at: when it was asked, UTC.
        answer: what hangs at the machine then.
    """

    opens_at: datetime
    asked_at: datetime
    answer: Mapping[str, Any]


def fix_opening(studio: Studio, station: Station, opens_at: datetime) -> str:
    """Have doors open at a station's venue, as people say it: by the clock there. The opening's id."""
    clock, id = VENUES[station.venue]["zone"], f"{station.venue}-doors"
    anchor = {"civil": opens_at.astimezone(zone(clock)).replace(tzinfo=None).isoformat(), "zone": clock}
    studio.create("openings", {"id": id, "venue": station.venue, "name": "Doors", "anchor": anchor})
    return id


def ask(studio: Studio, station: Station, opening: str, now: datetime) -> Doors:
    """What hangs at a station when the doors of an opening open."""
    opens_at = parse_instant(studio.get(f"openings/{opening}")["opens_at"])
    answer = studio.get(f"machines/{station.id}/at?time={format_instant(opens_at)}")
    return Doors(opens_at=opens_at, asked_at=now, answer=answer)


def hung_as_was_said(day: StationDay, doors: Doors) -> Promise:
    """What was said a day before and what then hung there agree column for column, but for the burst of that moment.

    Whatever went wrong in between: by then a machine that leaves out what it missed is true to the sky again, and so is
    one that prints it late. Only the places on the paper are others, where paper was spared.
    """
    said = _said(doors.answer)
    hung = _hung(day, doors.opens_at)
    apart = len(said ^ hung)
    measured = {
        "said_hours_before": round((doors.opens_at - doors.asked_at) / timedelta(hours=1), 2),
        "columns_said": len(said),
        "columns_that_hung": len(hung),
        "apart": apart,
    }
    is_day_before = doors.opens_at - doors.asked_at >= DAY_BEFORE and doors.answer["source"] == "planned"
    holds = is_day_before and bool(hung) and apart <= day.evidence.profile.columns_per_burst
    return Promise(f"hung-as-was-said:{day.station.id}", holds, measured)


def _said(answer: Mapping[str, Any]) -> set[int]:
    """Running columns between knife and head."""
    parts = [one["columns"] for one in answer["hangs"]]
    return {column for one in parts for column in range(one["first_column"], one["end_column"])}


def _hung(day: StationDay, at: datetime) -> set[int]:
    """Running columns that the machine's own ledger has between knife and head at an instant; without a knife, on the
    last turn's length."""
    ledger, profile = day.evidence.of_pictures, day.evidence.profile
    laid = ledger[ledger["at"] <= at.timestamp()]
    if not len(laid):
        return set()
    begins = int(laid["place"].max()) + 1 - (profile.knife_columns or profile.columns_per_turn)
    nobody_knows = set(named(day.evidence, "unknown"))
    there: list[int] = np.unique(laid["column"][laid["place"] >= begins]).tolist()
    return {column for column in there if column not in nobody_knows}
