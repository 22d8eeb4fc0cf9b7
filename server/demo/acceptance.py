"""What was promised, measured on the evidence: a function for each promise says whether it holds and what it saw."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import icalendar
import numpy as np
from numpy.typing import NDArray

from machines.serialization import parse_instant
from scheduling.sky.zones import zone
from server.demo.evidence import Evidence
from server.demo.reference_sky import direct_turns
from server.demo.scenario import SERVICE_WINDOWS, VENUES

ON_TIME_SHARE = 0.999
SEGMENT_TOLERANCE_S = 0.01
WEEKS_AHEAD = 52


@dataclass(frozen=True)
class Promise:
    """One promise: its name, whether it holds, and what was measured, in words and numbers."""

    name: str
    holds: bool
    measured: dict[str, Any]


def every_column_accounted_once(evidence: Evidence) -> Promise:
    """Every planned column is on the paper exactly once or named in a decision; the sky says which are planned."""
    first, end = evidence.span
    pieces = [(e.columns.first, e.columns.end, "printed") for e in evidence.printed]
    for settled in evidence.gaps:
        decision = settled.decision
        pieces += [(decision.unknown.first, decision.unknown.end, "unknown")]
        pieces += [(decision.skipped.first, decision.skipped.end, "skipped")]
    pieces = sorted(piece for piece in pieces if piece[1] > piece[0])
    joints_fit = all(before[1] == after[0] for before, after in pairwise(pieces))
    sky_first, sky_end = _span_by_the_sky(evidence)
    counts = {kind: sum(b - a for a, b, k in pieces if k == kind) for kind in ("printed", "unknown", "skipped")}
    return Promise(
        f"every-column-once:{evidence.station.id}",
        bool(pieces)
        and joints_fit
        and (pieces[0][0], pieces[-1][1]) == (first, end)
        and (first, end) == (sky_first, sky_end),
        {"planned": end - first, "planned_by_direct_skyfield": sky_end - sky_first, **counts, "pieces": len(pieces)},
    )


def _span_by_the_sky(evidence: Evidence) -> tuple[int, int]:
    posix = np.array([parse_instant(evidence.run[name]).timestamp() for name in ("starts_at", "ends_at")])
    turns = direct_turns(evidence.station.cycle, posix)
    first, end = np.ceil(turns * evidence.profile.columns_per_turn)
    return int(first), int(end)


def paper_shows_the_plates(evidence: Evidence) -> Promise:
    """Each printed column's dots are on the paper's PNG in the reported place, and nothing else is."""
    picture = evidence.picture
    explained = np.zeros(picture.shape[1], dtype=np.int64)
    wrong = 0
    for stretch in evidence.printed:
        a, b = stretch.columns.first, stretch.columns.end
        places = slice(stretch.paper_position, stretch.paper_position + b - a)
        explained[places] += 1
        wanted = evidence.plate_of(stretch.segment).running(a, b)
        wrong += int(np.any(picture[:, places] != wanted, axis=0).sum())
    wrong += _wrong_unknown(evidence, explained)
    stray = int(np.any(picture[:, explained == 0], axis=0).sum())
    return Promise(
        f"paper-shows-the-plates:{evidence.station.id}",
        wrong == 0 and stray == 0 and explained.max(initial=0) == 1 and explained.sum() > 0,
        {
            "columns_compared": int(explained.sum()),
            "columns_that_differ": wrong,
            "columns_with_dots_that_no_report_names": stray,
            "places_named_twice": int((explained > 1).sum()),
        },
    )


def _wrong_unknown(evidence: Evidence, explained: NDArray[np.int64]) -> int:
    """Columns of unknown outcome that are neither blank nor as their plate has them; marks their places explained."""
    wrong = 0
    for settled in evidence.gaps:
        unknown = settled.decision.unknown
        wanted = evidence.plate_dots(unknown.first, unknown.end)
        places = np.arange(settled.paper_position, settled.paper_position + len(unknown))
        inside = places < evidence.picture.shape[1]
        explained[places[inside]] += 1
        found = evidence.picture[:, places[inside]]
        differs = np.any(found != wanted[:, inside], axis=0) & np.any(found, axis=0)
        wrong += int(differs.sum())
    return wrong


def no_column_twice(evidence: Evidence) -> Promise:
    """The machine's own ledger names no column and no place twice, and nothing was ordered where something lay."""
    laid = evidence.paper.laid
    columns, places = np.unique(laid["column"]).size, np.unique(laid["place"]).size
    return Promise(
        f"no-column-twice:{evidence.station.id}",
        len(laid) > 0 and columns == places == len(laid) and len(evidence.paper.refused) == 0,
        {
            "laid": len(laid),
            "distinct_columns": columns,
            "distinct_places": places,
            "refused": len(evidence.paper.refused),
        },
    )


def columns_on_time(everyone: Sequence[Evidence]) -> Promise:
    """Of all columns 999 in 1,000 are laid within one dot time of their burst's instant, but for those that a replay
    names; the largest miss of each machine is told."""
    judged = {evidence.station.id: _judged_miss(evidence) for evidence in everyone}
    misses = np.abs(np.concatenate(list(judged.values())))
    share = float((misses <= 1.0).mean()) if len(misses) else 0.0
    worst_dots = {id: round(float(miss[np.argmax(np.abs(miss))]), 4) for id, miss in judged.items() if len(miss)}
    dot_s = {e.station.id: round(e.run["mean_turn_s"] / e.profile.columns_per_turn, 3) for e in everyone}
    laid = sum(len(evidence.paper.laid) for evidence in everyone)
    return Promise(
        "columns-on-time",
        share >= ON_TIME_SHARE and all(len(miss) for miss in judged.values()),
        {
            "columns_judged": len(misses),
            "late_by_a_replay_decision": laid - len(misses),
            "within_one_dot": round(share, 6),
            "worst_miss_dots": worst_dots,
            "worst_miss_s": {id: round(worst * dot_s[id], 3) for id, worst in worst_dots.items()},
            "one_dot_s": dot_s,
        },
    )


def _judged_miss(evidence: Evidence) -> NDArray[np.float64]:
    """The misses of the columns that no decision lets be late, in dots, late positive."""
    column = evidence.paper.laid["column"]
    late_by_decision = np.zeros(len(column), dtype=bool)
    for settled in evidence.gaps:
        if settled.decision.late:
            late_by_decision |= (column >= settled.decision.onward) & (column < settled.decision.true_again)
    return _miss_in_dots(evidence)[~late_by_decision]


def _miss_in_dots(evidence: Evidence) -> NDArray[np.float64]:
    """How far from its burst's instant each laid column was laid by the true clock, in columns, late positive.

    The first burst is cut short where the run begins; its instant is that of the first column that it has left.
    """
    laid, profile = evidence.paper.laid, evidence.profile
    burst_starts = laid["column"] - laid["column"] % profile.columns_per_burst
    due = np.maximum(burst_starts, evidence.span[0])
    missed: NDArray[np.float64] = direct_turns(evidence.station.cycle, laid["at"]) * profile.columns_per_turn - due
    return missed


def planned_by_the_sky(evidence: Evidence) -> Promise:
    """Each segment starts when direct skyfield says that its first column is due."""
    starts = np.array([parse_instant(row["starts_at"]).timestamp() for row in evidence.segments])
    turns = direct_turns(evidence.station.cycle, starts)
    wanted = np.array([row["first_column"] for row in evidence.segments]) / evidence.profile.columns_per_turn
    worst_s = float(np.abs(turns - wanted).max() * evidence.run["mean_turn_s"])
    numbers = [row["number"] for row in evidence.segments]
    return Promise(
        f"planned-by-the-sky:{evidence.station.id}",
        worst_s <= SEGMENT_TOLERANCE_S and numbers == list(range(numbers[0], numbers[-1] + 1)),
        {"segments": len(numbers), "worst_start_s": round(worst_s, 6)},
    )


def outage_settled(evidence: Evidence) -> Promise:
    """The node that lost power found what was missing and settled it by its run's policy; the server agrees."""
    policy = evidence.station.policy
    by_power = [e for e in evidence.gaps if e.gap.cause == "power"]
    settled = [e for e in by_power if e.decision.action == policy]
    caught_up = policy != "replay" or len(evidence.true_again) >= len(settled) >= 1
    measured: dict[str, Any] = {
        "unplanned_stops": sum(e.unplanned_stop for e in evidence.started),
        "settled": [e.decision.reason for e in by_power],
        "missing_columns": sum(e.gap.end - e.gap.first for e in by_power),
        "settlements_that_differ": evidence.differed,
    }
    if policy == "replay" and evidence.true_again and settled:
        measured["true_again_column"] = evidence.true_again[-1].column
        measured["true_again_expected"] = settled[-1].decision.true_again
    return Promise(
        f"outage-{policy}:{evidence.station.id}",
        len(settled) == 1 and evidence.differed == 0 and caught_up and measured["unplanned_stops"] == 1,
        measured,
    )


def printed_without_the_server(everyone: Sequence[Evidence], died: datetime, back: datetime) -> Promise:
    """While the server was dead every node printed on, and the server took the late reports."""
    laid = {
        e.station.id: int(((e.paper.laid["at"] > died.timestamp()) & (e.paper.laid["at"] < back.timestamp())).sum())
        for e in everyone
    }
    late = {e.station.id: round(max(e.told_after_s) / 3600.0, 2) for e in everyone}
    gone_h = (back - died).total_seconds() / 3600.0
    return Promise(
        "prints-on-without-the-server",
        all(laid.values()) and gone_h > 1.0,
        {"server_gone_h": round(gone_h, 2), "columns_laid_meanwhile": laid, "latest_report_h": late},
    )


def calendars_hold_the_windows(feeds: Mapping[str, bytes]) -> Promise:
    """Each venue's calendar can be read, and its service window stands in it week by week at the same time by the
    clock there, before and after that clock is changed."""
    weeks, changes, wrong = {}, {}, 0
    for window in SERVICE_WINDOWS.values():
        venue, comes = window["venue"], window["comes"]
        spans = _service_spans(feeds[venue], window["name"], zone(VENUES[venue]["zone"]))
        times = [f"{begins:%A %H:%M} {ends:%H:%M}" for begins, ends in spans]
        wrong += sum(said != f"{comes['weekday'].capitalize()} {comes['begins']} {comes['ends']}" for said in times)
        wrong += sum(after[0].date() - before[0].date() != timedelta(days=7) for before, after in pairwise(spans))
        weeks[venue] = len(spans)
        changes[venue] = sum(after[0].utcoffset() != before[0].utcoffset() for before, after in pairwise(spans))
    return Promise(
        "calendars-hold-the-windows",
        wrong == 0 and min(weeks.values()) >= WEEKS_AHEAD and min(changes.values()) >= 1,
        {"weeks": weeks, "wrong": wrong, "clock_changes_passed": changes},
    )


def _service_spans(feed: bytes, name: str, clock: ZoneInfo) -> list[tuple[datetime, datetime]]:
    """When a service window stands in a calendar, by a venue's clock, in order."""
    entries = icalendar.Calendar.from_ical(feed).events
    named = [one for one in entries if "service" in one.categories and name in str(one["summary"])]
    return sorted((_by_clock(one.start, clock), _by_clock(one.end, clock)) for one in named)


def _by_clock(at: datetime | date, clock: ZoneInfo) -> datetime:
    if not isinstance(at, datetime):
        raise TypeError(f"a service window on all of {at}")
    return at.astimezone(clock)


def knife_follows_the_paper(evidence: Evidence) -> Promise:
    """Each cut is where its strip begins on the paper; while the knife was disarmed none was made.

    Where columns were left out, several strips may begin at one place, and one cut is the boundary of them all.
    """
    places = _places(evidence)
    wrong = sum(cut.paper_position != _place_from(places, cut.boundary) for cut in evidence.cuts)
    made = [cut.paper_position for cut in evidence.cuts if cut.made]
    found = [int(place) for place in evidence.paper.cuts["place"]]
    missed = sum(not cut.made for cut in evidence.cuts)
    armed_again = len(evidence.armed) >= 1 + sum(e.unplanned_stop for e in evidence.started)
    return Promise(
        f"knife-follows-the-paper:{evidence.station.id}",
        wrong == 0 and sorted(set(made)) == sorted(found) and missed > 0 and armed_again,
        {"cuts": len(made), "cuts_in_the_wrong_place": wrong, "left_uncut_while_disarmed": missed},
    )


def _places(evidence: Evidence) -> dict[int, int]:
    """Running column to place on the paper."""
    return {int(record["column"]): int(record["place"]) for record in evidence.paper.laid}


def _place_from(places: dict[int, int], boundary: int) -> int:
    """Where the first column at or after a boundary was laid."""
    return places[min(column for column in places if column >= boundary)]
