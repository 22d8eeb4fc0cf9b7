"""The demonstration's promises can break: each is shown a good day, and the same day with one thing wrong."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import icalendar
import numpy as np
import pytest

from machines.clock import utc
from machines.drivers.simulated.paper import CUT, LAID, RECORD, Geometry, Paper
from machines.imaging.plate import Plate
from machines.model.profile import Profile
from machines.protocol.journal_entries import ColumnsPrinted, Entry, GapSettled, KnifeArmed, NodeStarted, StripCut
from machines.protocol.messages import RunWork, pace
from machines.recovery import Columns, Gap, Policy, settle
from machines.serialization import format_instant, unstructure
from scheduling.planning.timeline import Timeline
from scheduling.sky import cycles
from server.demo import acceptance
from server.demo.judging.evidence import Evidence
from server.demo.scenario import SERVICE_WINDOWS, VENUES, Outage, Station
from server.demo.station_day import StationDay
from tests.scheduling.house import PROFILE

BEGINS = datetime(2026, 10, 24, 12, tzinfo=UTC)
ENDS = BEGINS + timedelta(hours=10)
STATION = Station(
    id="one",
    name="One",
    venue="shed",
    profile="small",
    source="picture",
    cycle="sidereal-day",
    policy="skip",
    strips_per_turn=12,
    skew="0:0",
    outage=Outage(killed_h=3.0, back_h=5.0, armed_h=6.0),
)
SMALL = Profile.from_json(PROFILE)
TIMELINE = Timeline(cycles.get(STATION.cycle), SMALL.columns_per_turn, 48)
FIRST, END = (TIMELINE.first_column_from(instant.timestamp()) for instant in (BEGINS, ENDS))
# The power went after this column, and came back in time for the other.
GONE, BACK = (column - column % SMALL.columns_per_burst for column in (FIRST + 30, FIRST + 50))


def day() -> StationDay:
    """A day on which everything went as it should, with a power cut under the policy skip."""
    plate = Plate(np.random.default_rng(7).random((SMALL.dots_across, SMALL.columns_per_turn)) < 0.4)
    columns = np.array([*range(FIRST, GONE), *range(BACK, END)])
    cuts = _cuts(columns)
    entries = [
        NodeStarted(seq=0, at=BEGINS, unplanned_stop=False),
        KnifeArmed(seq=0, at=BEGINS),
        *_printed(FIRST, GONE, columns),
        *cuts[:1],
        NodeStarted(seq=0, at=ENDS, unplanned_stop=True),
        _gap(),
        *cuts[1:2],
        KnifeArmed(seq=0, at=ENDS),
        *_printed(BACK, END, columns),
        *cuts[2:],
    ]
    dots = np.concatenate([plate.running(FIRST, GONE), plate.running(BACK, END)], axis=1)
    evidence = Evidence(
        profile=SMALL,
        paper=_paper(columns, dots),
        runs=[_run()],
        segments=[_segment(stretch, plate) for stretch in TIMELINE.stretches(FIRST, END)],
        machine={"accepted_through": len(entries)},
        facts=[],
        journal=[],
        plates={plate.digest: plate},
    )
    return StationDay(STATION, telling(evidence, entries))


def telling(evidence: Evidence, entries: list[Any]) -> Evidence:
    """With such a journal, all of it in the log two and a half hours later."""
    numbered = [unstructure(replace(entry, seq=number)) for number, entry in enumerate(entries, 1)]
    stamps = {"happened_at": format_instant(BEGINS), "said_at": format_instant(BEGINS + timedelta(hours=2.5))}
    enrolled = {"kind": "node-enrolled", "data": {"epoch": 1}} | stamps
    facts = [enrolled, *({"kind": data["kind"], "data": data} | stamps for data in numbered)]
    machine = {"accepted_through": len(numbered)}
    return replace(evidence, facts=facts, journal=[(data, True) for data in numbered], machine=machine)


def changed(given: StationDay, change: Callable[[list[Any]], list[Any]]) -> StationDay:
    """With other entries in journal and log."""
    return replace(given, evidence=telling(given.evidence, change(given.evidence.entries)))


def _run() -> dict[str, Any]:
    return {
        "first_column": FIRST,
        "end_column": END,
        "longest_column": END,
        "beyond": 0,
        "withdrawn_at": None,
        "ended_at": None,
        "starts_at": format_instant(BEGINS),
        "ends_at": format_instant(ENDS),
        "mean_turn_s": TIMELINE.cycle.mean_turn_s,
        "segments_per_turn": 48,
        "id": STATION.run,
        "printed": END - FIRST - (BACK - GONE),
        "unknown": 0,
        "skipped": BACK - GONE,
    }


def _segment(stretch: Any, plate: Plate) -> dict[str, Any]:
    starts, ends = TIMELINE.instants(np.array([stretch.first_column, stretch.end_column]))
    columns = np.arange(stretch.first_column, stretch.end_column)
    skipped = int(np.sum((columns >= GONE) & (columns < BACK)))
    counts = {"printed": len(columns) - skipped, "unknown": 0, "skipped": skipped}
    row = {
        "run": STATION.run,
        "plate": plate.digest,
        "starts_at": format_instant(utc(float(starts))),
        "ends_at": format_instant(utc(float(ends))),
    }
    return vars(stretch) | counts | row | {"finished_at": "then"}


def _printed(first: int, end: int, columns: Any) -> list[ColumnsPrinted]:
    return [
        ColumnsPrinted(
            seq=0,
            at=BEGINS,
            run=STATION.run,
            segment=s.number,
            columns=Columns(first=s.first_column, end=s.end_column),
            columns_done=s.end_column - s.first_column,
            paper_position=int(np.searchsorted(columns, s.first_column)),
            worst_miss_s=0.0,
        )
        for s in TIMELINE.stretches(first, end)
    ]


def _gap() -> GapSettled:
    run = RunWork(
        id=STATION.run,
        first_column=FIRST,
        end_column=END,
        strips_per_turn=12,
        nozzle_seed=1,
        mean_turn_s=TIMELINE.cycle.mean_turn_s,
    )
    broken_off = next(s for s in TIMELINE.stretches(FIRST, END) if s.first_column < GONE < s.end_column)
    half = Columns(first=broken_off.first_column, end=broken_off.end_column)
    gap = Gap(first=GONE, unknown_end=GONE, end=BACK, cause="power", noticed_at=BEGINS, segment=half)
    policy = Policy(kind="skip")
    decision = settle(policy, gap, pace(SMALL, run))
    return GapSettled(
        seq=51, at=BEGINS, run=run.id, gap=gap, policy=policy, decision=decision, paper_position=GONE - FIRST
    )


def _cuts(columns: Any) -> list[StripCut]:
    boundaries = range(-(-(FIRST + 1) // 20) * 20, END - 40, 20)
    return [
        StripCut(
            seq=0,
            at=BEGINS,
            run=STATION.run,
            boundary=boundary,
            paper_position=int(np.searchsorted(columns, boundary)),
            made=number != 1,
        )
        for number, boundary in enumerate(boundaries)
    ]


def _paper(columns: Any, dots: Any) -> Paper:
    bursts = np.maximum(columns - columns % SMALL.columns_per_burst, FIRST)
    laid = _records(LAID, np.arange(len(columns)), columns, TIMELINE.instants(bursts) + 3.0)
    made = np.array(sorted({cut.paper_position for cut in _cuts(columns) if cut.made}))
    return Paper(
        geometry=Geometry(dots_across=SMALL.dots_across, columns_per_turn=SMALL.columns_per_turn, travel="right"),
        dots=dots,
        laid=laid,
        cuts=_records(CUT, made, np.full(len(made), -1), np.zeros(len(made))),
        refused=laid[:0],
    )


def _records(kind: int, place: Any, column: Any, at: Any) -> Any:
    records = np.empty(len(place), dtype=RECORD)
    records["kind"], records["place"], records["column"], records["at"] = kind, place, column, at
    return records


def with_paper(given: StationDay, **changes: Any) -> StationDay:
    """With something else on the paper."""
    return replace(given, evidence=replace(given.evidence, paper=replace(given.evidence.paper, **changes)))


def laid(given: StationDay, **changes: tuple[Any, Any]) -> StationDay:
    """With other numbers in the ledger: field to (index, value)."""
    records = given.evidence.paper.laid.copy()
    for name, (index, value) in changes.items():
        records[name][index] = value
    return with_paper(given, laid=records)


def on_time(given: StationDay) -> acceptance.Promise:
    return acceptance.columns_on_time([given])


JUDGES = [
    acceptance.planned_by_the_sky,
    acceptance.every_column_accounted_once,
    acceptance.paper_shows_the_plates,
    acceptance.no_column_twice,
    acceptance.nothing_lost,
    on_time,
    acceptance.outage_settled,
    acceptance.knife_follows_the_paper,
]


@pytest.mark.parametrize("judge", JUDGES)
def test_a_good_day_keeps_every_promise(judge: Callable[[StationDay], acceptance.Promise]) -> None:
    found = judge(day())
    assert found.holds, found.measured


def test_the_gap_lies_on_no_border() -> None:
    """So that the day exercises what it should: a gap within the run, of whole bursts."""
    assert FIRST < GONE < BACK < END


def flipped(given: StationDay) -> StationDay:
    dots = given.evidence.paper.dots.copy()
    dots[5, 40] ^= True
    return with_paper(given, dots=dots)


def with_a_stray_column(given: StationDay) -> StationDay:
    dots = given.evidence.paper.dots
    return with_paper(given, dots=np.concatenate([dots, dots[:, :1]], axis=1))


def reported(entries: list[Entry]) -> list[int]:
    """Where in a journal columns are reported."""
    return [number for number, entry in enumerate(entries) if isinstance(entry, ColumnsPrinted)]


def without_a_report(given: StationDay) -> StationDay:
    return changed(given, lambda told: [one for n, one in enumerate(told) if n != reported(told)[3]])


def with_a_report_twice(given: StationDay) -> StationDay:
    return changed(given, lambda told: [*told, told[reported(told)[2]]])


def with_the_end_left_out(given: StationDay) -> StationDay:
    return changed(given, lambda told: [one for n, one in enumerate(told) if n != reported(told)[-1]])


def with_a_report_elsewhere(given: StationDay) -> StationDay:
    return changed(given, lambda told: [moved(one) if n == reported(told)[3] else one for n, one in enumerate(told)])


def moved(entry: Any) -> Any:
    return replace(entry, paper_position=entry.paper_position + 1)


def with_a_gap_twice(given: StationDay) -> StationDay:
    return changed(given, lambda told: [twice for one in told for twice in [one] * (1 + isinstance(one, GapSettled))])


def with_a_run_too_long(given: StationDay) -> StationDay:
    run = given.run | {"ends_at": format_instant(ENDS + timedelta(hours=1))}
    return replace(given, evidence=replace(given.evidence, runs=[run]))


def with_a_place_twice(given: StationDay) -> StationDay:
    return laid(given, place=(12, 11))


def with_less_in_the_log(given: StationDay) -> StationDay:
    return replace(given, evidence=replace(given.evidence, facts=given.evidence.facts[:-1]))


def with_less_acknowledged(given: StationDay) -> StationDay:
    *journal, (last, _) = given.evidence.journal
    return replace(given, evidence=replace(given.evidence, journal=[*journal, (last, False)]))


def late(given: StationDay) -> StationDay:
    """One column in eighty by one and a half dots: more than one in a thousand."""
    at = given.evidence.paper.laid["at"][60] + 1.5 * TIMELINE.cycle.mean_turn_s / SMALL.columns_per_turn
    return laid(given, at=(60, at))


def early(given: StationDay) -> StationDay:
    return laid(given, at=(60, given.evidence.paper.laid["at"][60] - 600.0))


def segments_moved(given: StationDay) -> StationDay:
    rows = [
        row | {"starts_at": format_instant(BEGINS + timedelta(minutes=30 * i))}
        for i, row in enumerate(given.evidence.segments)
    ]
    return replace(given, evidence=replace(given.evidence, segments=rows))


def differed(given: StationDay) -> StationDay:
    facts = [*given.evidence.facts, {"kind": "settlement-differed", "data": {"seq": 3}}]
    return replace(given, evidence=replace(given.evidence, facts=facts))


def never_settled(given: StationDay) -> StationDay:
    return changed(given, lambda told: [one for one in told if not isinstance(one, GapSettled)])


def cut_elsewhere(given: StationDay) -> StationDay:
    return changed(given, lambda told: [moved(one) if one is _last_cut(told) else one for one in told])


def _last_cut(told: list[Any]) -> Any:
    return [one for one in told if isinstance(one, StripCut)][-1]


def cut_while_disarmed(given: StationDay) -> StationDay:
    return changed(given, lambda told: [replace(one, made=True) if isinstance(one, StripCut) else one for one in told])


def cut_and_not_told(given: StationDay) -> StationDay:
    """The strip that was to be left uncut lies there cut."""
    (place,) = [cut.paper_position for cut in given.evidence.of(StripCut) if not cut.made]
    cuts = given.evidence.paper.cuts
    return with_paper(given, cuts=np.concatenate([cuts, _records(CUT, np.array([place]), [-1], [0.0])]))


BROKEN = [
    (acceptance.paper_shows_the_plates, flipped),
    (acceptance.paper_shows_the_plates, with_a_stray_column),
    (acceptance.paper_shows_the_plates, with_a_report_elsewhere),
    (acceptance.every_column_accounted_once, without_a_report),
    (acceptance.every_column_accounted_once, with_a_report_twice),
    (acceptance.every_column_accounted_once, with_a_gap_twice),
    (acceptance.every_column_accounted_once, with_the_end_left_out),
    (acceptance.every_column_accounted_once, with_a_run_too_long),
    (acceptance.no_column_twice, with_a_place_twice),
    (acceptance.nothing_lost, with_less_in_the_log),
    (acceptance.nothing_lost, with_less_acknowledged),
    (on_time, late),
    (on_time, early),
    (acceptance.planned_by_the_sky, segments_moved),
    (acceptance.outage_settled, differed),
    (acceptance.outage_settled, never_settled),
    (acceptance.knife_follows_the_paper, cut_elsewhere),
    (acceptance.knife_follows_the_paper, cut_while_disarmed),
    (acceptance.knife_follows_the_paper, cut_and_not_told),
]


@pytest.mark.parametrize(("judge", "spoil"), BROKEN)
def test_what_is_wrong_breaks_its_promise(
    judge: Callable[[StationDay], acceptance.Promise], spoil: Callable[[StationDay], StationDay]
) -> None:
    assert not judge(spoil(day())).holds


def test_the_segments_of_a_day_follow_one_another() -> None:
    rows = day().evidence.segments
    assert all(a["end_column"] == b["first_column"] for a, b in pairwise(rows))


def test_a_dead_server_must_have_been_gone_and_the_nodes_must_have_printed() -> None:
    gone, back = BEGINS + timedelta(hours=7), BEGINS + timedelta(hours=9)
    assert acceptance.printed_without_the_server([day()], gone, back).holds
    assert not acceptance.printed_without_the_server([day()], gone, gone + timedelta(minutes=10)).holds
    quiet = BEGINS + timedelta(hours=3, minutes=10)
    assert not acceptance.printed_without_the_server([day()], ENDS, quiet + timedelta(days=9)).holds


def calendars(**spoilt: Any) -> dict[str, bytes]:
    """Each venue's calendar with a year of its window; ``spoilt`` is a window's id to which of its times are told."""
    feeds = {}
    for id, window in SERVICE_WINDOWS.items():
        comes, clock = window["comes"], ZoneInfo(VENUES[window["venue"]]["zone"])
        days = [date(2026, 10, 1) + timedelta(days=number) for number in range(365)]
        spans = [
            [
                datetime.combine(day, time.fromisoformat(comes[edge]), clock).astimezone(UTC)
                for edge in ("begins", "ends")
            ]
            for day in days
            if f"{day:%A}".lower() == comes["weekday"]
        ]
        feed = icalendar.Calendar()
        for begins, ends in spoilt.get(id, lambda spans: spans)(spans):
            event = icalendar.Event()
            event.add("summary", f"Service: {window['name']}")
            event.add("categories", ["service"])
            event.add("dtstart", begins)
            event.add("dtend", ends)
            feed.add_component(event)
        feeds[window["venue"]] = feed.to_ical()
    return feeds


def by_a_fixed_offset(spans: list[list[datetime]]) -> list[list[datetime]]:
    return [[at + timedelta(days=7 * number) for at in spans[0]] for number in range(len(spans))]


def test_calendars_that_hold_every_window_keep_their_promise() -> None:
    found = acceptance.calendars_hold_the_windows(calendars())
    assert found.holds, found.measured
    assert set(found.measured["weeks"].values()) == {52, 53}
    assert set(found.measured["clock_changes_passed"].values()) == {2}


@pytest.mark.parametrize("id", SERVICE_WINDOWS)
@pytest.mark.parametrize(
    "spoil",
    [
        by_a_fixed_offset,
        lambda spans: spans[:20] + spans[21:],
        lambda spans: spans[:40],
        lambda spans: [],
        lambda spans: [[begins, ends + timedelta(minutes=1)] for begins, ends in spans],
    ],
)
def test_a_calendar_without_a_week_or_by_another_clock_breaks_its_promise(id: str, spoil: Callable[..., Any]) -> None:
    assert not acceptance.calendars_hold_the_windows(calendars(**{id: spoil})).holds
