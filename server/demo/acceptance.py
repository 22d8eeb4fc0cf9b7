"""What was promised: a function for each promise says of what a day has left whether it holds, and what was measured.

What must hold of any paper and any log, `server.demo.judging` judges; what only the demonstration promises is judged
here: what another library says of the sky, and that what was to go wrong did.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import icalendar
import numpy as np
from numpy.typing import NDArray

from machines.protocol.journal_entries import ColumnsPrinted, GapSettled, KnifeArmed, NodeStarted, StripCut, TrueAgain
from machines.serialization import parse_instant
from scheduling.sky.zones import zone
from server.demo.judging.judge import OF_COLUMNS, OF_DOUBLES, OF_JOURNAL, OF_KNIFE, OF_PAPER, OF_STOPS, OF_TIME, judge
from server.demo.judging.judged_knife import misplaced_cuts
from server.demo.judging.judged_paper import differing_dots
from server.demo.reference_sky import direct_turns
from server.demo.scenario import SERVICE_WINDOWS, VENUES
from server.demo.station_day import StationDay

ON_TIME_SHARE = 0.999
SEGMENT_TOLERANCE_S = 0.01
WEEKS_AHEAD = 52


@dataclass(frozen=True)
class Promise:
    """One promise: its name, whether it holds, and what was measured, in words and numbers."""

    name: str
    holds: bool
    measured: dict[str, Any]


def _promise(name: str, complaints: Sequence[str], holds: bool, measured: dict[str, Any]) -> Promise:
    """One that holds if there are no complaints, either; if there are, they are told."""
    return Promise(name, holds and not complaints, measured | ({"complaints": list(complaints)} if complaints else {}))


def every_column_accounted_once(day: StationDay) -> Promise:
    """Every planned column is on the paper exactly once or named in a decision; the sky says which are planned. What
    was printed beyond a run's end is told apart."""
    (first, end), decisions = day.span, [entry.decision for entry in day.evidence.of(GapSettled)]
    spans = {
        "printed": [entry.columns for entry in day.evidence.of(ColumnsPrinted)],
        "unknown": [decision.unknown for decision in decisions],
        "skipped": [decision.skipped for decision in decisions],
    }
    counts = {kind: sum(map(len, columns)) for kind, columns in spans.items()}
    beyond = sum(max(0, columns.end - max(columns.first, end)) for columns in spans["printed"])
    counts["printed"] -= beyond
    sky_first, sky_end = _span_by_the_sky(day)
    return _promise(
        f"every-column-once:{day.station.id}",
        judge(day.evidence, OF_COLUMNS),
        (first, end) == (sky_first, sky_end) and sum(counts.values()) == end - first > 0,
        {
            "planned": end - first,
            "planned_by_direct_skyfield": sky_end - sky_first,
            **counts,
            **({"printed_beyond_the_end": beyond} if beyond else {}),
            "pieces": sum(bool(columns) for kind in spans.values() for columns in kind),
        },
    )


def _span_by_the_sky(day: StationDay) -> tuple[int, int]:
    last = day.evidence.runs[-1]
    posix = np.array([parse_instant(stamp).timestamp() for stamp in (day.run["starts_at"], last["ends_at"])])
    turns = direct_turns(day.station.cycle, posix)
    first, end = turns * day.evidence.profile.columns_per_turn
    # A run that was ended does so at the very instant of a column.
    return math.ceil(first), round(end) if last["ended_at"] else math.ceil(end)


def paper_shows_the_plates(day: StationDay) -> Promise:
    """Each column's dots are on the paper's PNG in the reported place, and nothing else is."""
    wrong, stray = differing_dots(day.evidence)
    compared = len(day.evidence.of_pictures)
    return _promise(
        f"paper-shows-the-plates:{day.station.id}",
        judge(day.evidence, OF_PAPER),
        compared > 0,
        {"columns_compared": compared, "columns_that_differ": len(wrong), "places_with_dots_and_no_column": stray},
    )


def no_column_twice(day: StationDay) -> Promise:
    """The machine's own ledger names no column and no place twice, and nothing was ordered where something lay."""
    paper = day.evidence.paper
    columns, places = (np.unique(paper.laid[name]).size for name in ("column", "place"))
    return _promise(
        f"no-column-twice:{day.station.id}",
        judge(day.evidence, OF_DOUBLES),
        len(paper.laid) == columns == places > 0,
        {
            "laid": len(paper.laid),
            "distinct_columns": columns,
            "distinct_places": places,
            "refused": len(paper.refused),
        },
    )


def nothing_lost(day: StationDay) -> Promise:
    """The server's log has every entry of the node's journal, as it is there and in its order."""
    journal = day.evidence.journal
    acknowledged, taken = sum(accepted for _, accepted in journal), day.evidence.machine["accepted_through"]
    return _promise(
        f"nothing-lost:{day.station.id}",
        judge(day.evidence, OF_JOURNAL),
        len(journal) > 0,
        {"entries_in_the_journal": len(journal), "acknowledged": acknowledged, "taken_by_the_server": taken},
    )


def columns_on_time(everyone: Sequence[StationDay]) -> Promise:
    """Of all columns 999 in 1,000 are laid within one dot time of their burst's instant, but for those that a replay
    names, and none before it was due; the largest miss of each machine is told."""
    judged = {day.station.id: _judged_miss(day) for day in everyone}
    misses = np.abs(np.concatenate(list(judged.values())))
    share = float((misses <= 1.0).mean()) if len(misses) else 0.0
    worst_dots = {id: round(float(miss[np.argmax(np.abs(miss))]), 4) for id, miss in judged.items() if len(miss)}
    dot_s = {d.station.id: round(d.run["mean_turn_s"] / d.evidence.profile.columns_per_turn, 3) for d in everyone}
    laid = sum(len(day.evidence.paper.laid) for day in everyone)
    return _promise(
        "columns-on-time",
        [complaint for day in everyone for complaint in judge(day.evidence, OF_TIME)],
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


def _judged_miss(day: StationDay) -> NDArray[np.float64]:
    """The misses of the columns that no decision lets be late, in dots, late positive."""
    column = day.evidence.paper.laid["column"]
    late_by_decision = np.zeros(len(column), dtype=bool)
    for settled in day.evidence.of(GapSettled):
        if settled.decision.late:
            late_by_decision |= (column >= settled.decision.onward) & (column < settled.decision.true_again)
    return _miss_in_dots(day)[~late_by_decision]


def _miss_in_dots(day: StationDay) -> NDArray[np.float64]:
    """How far from its burst's instant each laid column was laid by the true clock, in columns, late positive.

    The first burst is cut short where the run begins; its instant is that of the first column that it has left.
    """
    laid, profile = day.evidence.paper.laid, day.evidence.profile
    burst_starts = laid["column"] - laid["column"] % profile.columns_per_burst
    due = np.maximum(burst_starts, day.span[0])
    missed: NDArray[np.float64] = direct_turns(day.station.cycle, laid["at"]) * profile.columns_per_turn - due
    return missed


def planned_by_the_sky(day: StationDay) -> Promise:
    """Each segment starts when direct skyfield says that its first column is due."""
    starts = np.array([parse_instant(row["starts_at"]).timestamp() for row in day.evidence.segments])
    turns = direct_turns(day.station.cycle, starts)
    wanted = np.array([row["first_column"] for row in day.evidence.segments]) / day.evidence.profile.columns_per_turn
    worst_s = float(np.abs(turns - wanted).max() * day.run["mean_turn_s"])
    numbers = [[row["number"] for row in day.evidence.segments if row["run"] == run["id"]] for run in day.evidence.runs]
    return Promise(
        f"planned-by-the-sky:{day.station.id}",
        worst_s <= SEGMENT_TOLERANCE_S and all(one == list(range(one[0], one[-1] + 1)) for one in numbers),
        {"segments": sum(map(len, numbers)), "worst_start_s": round(worst_s, 6)},
    )


def outage_settled(day: StationDay) -> Promise:
    """The node that lost power found what was missing and settled it by its run's policy; the server agrees."""
    policy, evidence = day.station.policy, day.evidence
    by_power = [entry for entry in evidence.of(GapSettled) if entry.gap.cause == "power"]
    settled = [entry for entry in by_power if entry.decision.action == policy]
    true_again, stops = evidence.of(TrueAgain), sum(entry.unplanned_stop for entry in evidence.of(NodeStarted))
    caught_up = policy != "replay" or len(true_again) >= len(settled) >= 1
    measured: dict[str, Any] = {
        "unplanned_stops": stops,
        "settled": [entry.decision.reason for entry in by_power],
        "missing_columns": sum(entry.gap.end - entry.gap.first for entry in by_power),
        "settlements_that_differ": sum(fact["kind"] == "settlement-differed" for fact in evidence.facts),
    }
    if policy == "replay" and true_again and settled:
        measured["true_again_column"] = true_again[-1].column
        measured["true_again_expected"] = settled[-1].decision.true_again
    return _promise(
        f"outage-{policy}:{day.station.id}",
        judge(evidence, OF_STOPS),
        len(settled) == 1 and caught_up and stops == 1,
        measured,
    )


def printed_without_the_server(everyone: Sequence[StationDay], died: datetime, back: datetime) -> Promise:
    """While the server was dead every node printed on, and the server took the late reports."""
    laid = {
        day.station.id: int(np.sum((at > died.timestamp()) & (at < back.timestamp())))
        for day in everyone
        for at in [day.evidence.paper.laid["at"]]
    }
    late = {day.station.id: round(max(map(_lag_h, _of_columns(day))), 2) for day in everyone}
    gone_h = (back - died).total_seconds() / 3600.0
    return Promise(
        "prints-on-without-the-server",
        all(laid.values()) and gone_h > 1.0,
        {"server_gone_h": round(gone_h, 2), "columns_laid_meanwhile": laid, "latest_report_h": late},
    )


def _of_columns(day: StationDay) -> list[dict[str, Any]]:
    """The facts of the log that columns were printed."""
    return [fact for fact in day.evidence.facts if fact["kind"] == "columns-printed"]


def _lag_h(fact: dict[str, Any]) -> float:
    """How long after it happened the server took the report, hours."""
    return (parse_instant(fact["said_at"]) - parse_instant(fact["happened_at"])).total_seconds() / 3600.0


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


def knife_follows_the_paper(day: StationDay) -> Promise:
    """Each cut is where its strip begins on the paper; while the knife was disarmed none was made."""
    cuts, made = day.evidence.of(StripCut), day.evidence.paper.cuts["place"].tolist()
    uncut = [cut.paper_position for cut in cuts if not cut.made]
    stops = sum(entry.unplanned_stop for entry in day.evidence.of(NodeStarted))
    return _promise(
        f"knife-follows-the-paper:{day.station.id}",
        judge(day.evidence, OF_KNIFE),
        bool(uncut) and not set(uncut) & set(made) and len(day.evidence.of(KnifeArmed)) >= 1 + stops,
        {
            "cuts": len(cuts) - len(uncut),
            "cuts_in_the_wrong_place": len(misplaced_cuts(day.evidence)),
            "left_uncut_while_disarmed": len(uncut),
        },
    )
