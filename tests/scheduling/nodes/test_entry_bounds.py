"""Bounds on what a node's entry can be: refused by name where it cannot be, set aside where it does not fit."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from machines.errors import InputError
from machines.node.store.telling import as_told
from machines.protocol import upcasts
from machines.serialization import format_instant
from scheduling.log.events.reports import EntryReadInPart, EntrySetAside
from scheduling.log.models import Event, Machine, Notice, Outage, PrintedStretch, Run, Segment
from scheduling.log.rebuilding.rebuild import rebuild
from scheduling.log.store import read
from scheduling.nodes import entry_bounds, known_runs, received_entries, settlement_check
from scheduling.nodes.received_entries import MOST_ENTRIES, TooManyEntries, read_batch
from scheduling.nodes.reports import EntryDiffers, StaleEpoch, take
from tests.scheduling.house import NOON, by, ready

pytestmark = pytest.mark.django_db

PERIOD = {"cycle": "period", "cycle_options": {"seconds": 86400, "epoch": NOON.isoformat()}}
AT = NOON + timedelta(hours=4)
Change = Callable[[dict[str, Any]], Any]


def send(*entries: dict[str, Any], at: datetime = NOON + timedelta(hours=9), epoch: int = 1, **more: Any) -> int:
    data = {"epoch": epoch, "entries": list(entries), **more}
    return take("one", read_batch(data), by(at=at))


def run() -> Run:
    return Run.objects.get()


def segment() -> Segment:
    return Segment.objects.order_by("number")[1]


def entry(kind: str, **fields: Any) -> dict[str, Any]:
    return {"kind": kind, "seq": 1, "at": format_instant(AT), **fields}


def printed(**changes: Any) -> dict[str, Any]:
    first = segment().first_column
    fields = {
        "run": "first",
        "segment": segment().number,
        "columns": {"first": first, "end": first + 3},
        "columns_done": 3,
        "paper_position": 0,
        "worst_miss_s": 0.1,
    }
    return entry("columns-printed", **fields | changes)


def settled(shift_s: float = 0.0, **changes: Any) -> dict[str, Any]:
    """Three hours without power, by a rule that leaves out, or one by which the timeline waits."""
    first = run().first_column
    nothing = {"first": 0, "end": 0}
    missed = {"first": first + 1, "end": first + 30}
    fields: dict[str, Any] = {
        "run": "first",
        "gap": {
            "first": first,
            "unknown_end": first + 1,
            "end": first + 30,
            "cause": "power",
            "noticed_at": format_instant(AT),
            "missing_since": format_instant(AT - timedelta(hours=3)),
        },
        "policy": {"kind": "shift" if shift_s else "skip"},
        "decision": {
            "action": "shift" if shift_s else "skip",
            "unknown": {"first": first, "end": first + 1},
            "skipped": nothing if shift_s else missed,
            "shifted": missed if shift_s else nothing,
            "replayed": nothing,
            "true_again": first + 30,
            "hours_until_true": 0.0,
            "reason": "of our own",
            "shift_s": shift_s,
        },
        "paper_position": 0,
    }
    made = entry("gap-settled", **fields)
    for path, value in changes.items():
        *parents, last = path.split("__")
        inner = made
        for parent in parents:
            inner = inner[parent]
        inner[last] = value
    return made


def of_run(kind: str, **fields: Any) -> dict[str, Any]:
    return entry(kind, run="first", **fields)


def set_aside() -> EntrySetAside:
    (fact,) = read(kinds=["entry-set-aside"])
    assert isinstance(fact.event, EntrySetAside)
    return fact.event


IMPOSSIBLE: dict[str, tuple[Change, str]] = {
    "number 0": (lambda r: printed(seq=0), "entries[0].seq"),
    "number below 0": (lambda r: printed(seq=-1), "entries[0].seq"),
    "no columns": (lambda r: printed(columns={"first": r.first_column, "end": r.first_column}), "columns"),
    "columns done below 0": (lambda r: printed(columns_done=-1), "columns_done"),
    "paper below 0": (lambda r: printed(paper_position=-5), "paper_position"),
    "a continent of paper": (lambda r: printed(paper_position=2**40), "paper_position"),
    "late by an age": (lambda r: printed(worst_miss_s=1e12), "worst_miss_s"),
    "no id of a run": (lambda r: printed(run="<script>"), "run"),
    "an empty id": (lambda r: printed(run=""), "run"),
    "a long id": (lambda r: printed(run="a" * 10_000), "run"),
    "a timeline that goes back": (lambda r: settled(decision__shift_s=-3600.0), "decision.shift_s"),
    "a shift by a rule that leaves out": (lambda r: settled(decision__shift_s=60.0), "decision.shift_s"),
    "a shift longer than the outage": (lambda r: settled(1e308), "decision.shift_s"),
    "an hour more than the outage": (lambda r: settled(4 * 3600.0), "decision.shift_s"),
    "hours below 0": (lambda r: settled(decision__hours_until_true=-5.0), "decision.hours_until_true"),
    "paper that comes back": (lambda r: settled(decision__paper_mm=-1.0), "decision.paper_mm"),
    "ink that comes back": (lambda r: settled(decision__ink_ml=-1.0), "decision.ink_ml"),
    "dots below 0": (lambda r: settled(gap__dots_per_column=-1.0), "gap.dots_per_column"),
    "a fate for columns beyond the gap": (
        lambda r: settled(decision__skipped={"first": r.first_column + 1, "end": 10**12}),
        "decision",
    ),
    "columns without a fate": (
        lambda r: settled(decision__skipped={"first": r.first_column + 9, "end": r.first_column + 30}),
        "decision.skipped",
    ),
    "two fates": (
        lambda r: settled(decision__replayed={"first": r.first_column + 9, "end": r.first_column + 30}),
        "decision.replayed",
    ),
    "unknown columns that are not": (lambda r: settled(decision__unknown={"first": 0, "end": 5}), "decision.unknown"),
    "again what was not half printed": (
        lambda r: settled(decision__again={"first": r.first_column, "end": r.first_column + 1}),
        "decision.again",
    ),
    "true again within the gap": (lambda r: settled(decision__true_again=r.first_column), "decision.true_again"),
    "a book of reasons": (lambda r: settled(decision__reason="x" * 2001), "decision.reason"),
    "a pause with a pattern": (
        lambda r: entry("operator-acted", action="pause", pattern="nozzles"),
        "entries[0].pattern",
    ),
    "a test pattern without one": (lambda r: entry("operator-acted", action="test-pattern"), "entries[0].pattern"),
    "a place below 0": (lambda r: entry("operator-acted", action="place-set", paper_position=-1), "paper_position"),
    "a place beyond all paper": (
        lambda r: entry("operator-acted", action="place-set", paper_position=2**50),
        "paper_position",
    ),
    "paper taken below 0": (lambda r: entry("operator-acted", action="feed", paper_columns=-100), "paper_columns"),
    "an error below 0": (lambda r: entry("operator-acted", action="set-time", error_s=-1.0), "error_s"),
    "an error below 0 that was said": (lambda r: entry("set-time-compared", ahead_s=1.0, error_s=-1.0), "error_s"),
}


@pytest.mark.parametrize("case", IMPOSSIBLE)
def test_what_no_machine_can_have_written_is_refused_by_name(tmp_path: Path, case: str) -> None:
    ready(tmp_path, **PERIOD, policy={"kind": "skip"})
    make, field = IMPOSSIBLE[case]
    before = Event.objects.count()
    with pytest.raises(InputError) as caught:
        send(make(run()))
    assert field in caught.value.field and caught.value.field.startswith("entries[0]")
    assert caught.value.problem and caught.value.remedy
    assert (Event.objects.count(), Machine.objects.get().accepted_through) == (before, 0)


def test_what_is_cut_off_by_hand_may_be_ahead_of_the_first_place(tmp_path: Path) -> None:
    """Paper that is new, and did not reach the knife yet, has places before the first."""
    ready(tmp_path, **PERIOD, policy={"kind": "skip"})
    assert send(entry("operator-acted", action="cut", paper_position=-10)) == 1
    with pytest.raises(InputError, match="paper_position"):
        send(entry("operator-acted", seq=2, action="cut", paper_position=-1000))
    with pytest.raises(InputError, match="paper_position"):
        send(entry("operator-acted", seq=2, action="feed", paper_position=-10))


FOREIGN_TO_THE_PLAN: dict[str, tuple[Change, str]] = {
    "columns before the run": (
        lambda r: printed(columns={"first": r.first_column - 9, "end": r.first_column}),
        "columns",
    ),
    "columns after the run": (lambda r: printed(columns={"first": r.end_column, "end": r.end_column + 9}), "columns"),
    "a quadrillion columns": (lambda r: printed(columns={"first": r.first_column, "end": 2**50}), "columns"),
    "columns of another segment": (
        lambda r: printed(columns={"first": segment().end_column, "end": segment().end_column + 1}),
        "columns",
    ),
    "more columns done than the segment has": (lambda r: printed(columns_done=10**9), "columns_done"),
    "a cut beyond the run": (
        lambda r: of_run("strip-cut", boundary=r.end_column + 1, paper_position=0, made=True),
        "boundary",
    ),
    "a gap beyond the run": (
        lambda r: settled(
            gap__end=r.end_column + 1,
            decision__skipped={"first": r.first_column + 1, "end": r.end_column + 1},
            decision__true_again=r.end_column + 1,
        ),
        "gap",
    ),
    "true again before the run": (lambda r: of_run("true-again", column=r.first_column - 1), "column"),
    "a kilometre of slip": (
        lambda r: of_run("slip-measured", column=r.first_column, slip_mm=1e6, slip_s=0.0, slip_degrees=0.0),
        "slip_mm",
    ),
    "noticed after it was settled": (
        lambda r: settled(gap__noticed_at=format_instant(AT + timedelta(hours=1))),
        "gap.noticed_at",
    ),
    "noticed in a month to come": (
        lambda r: settled(
            at=format_instant(AT + timedelta(days=30)), gap__noticed_at=format_instant(AT + timedelta(days=30))
        ),
        "gap.noticed_at",
    ),
    "5000 conditions": (lambda r: entry("conditions-changed", keywords=["media-low"] * 5000), "keywords"),
    "an empty condition": (lambda r: entry("conditions-changed", keywords=[""]), "keywords[0]"),
    "a kind that is not known": (lambda r: entry("lamp-lit", lumens=40), "kind"),
    "a cause that is not known": (lambda r: settled(gap__cause="flood"), "gap.cause"),
    "a rule that is not known": (lambda r: settled(policy={"kind": "rewind"}), "policy.kind"),
    "an action that is not known": (lambda r: entry("operator-acted", action="dance"), "action"),
}


@pytest.mark.parametrize("case", FOREIGN_TO_THE_PLAN)
def test_what_may_be_true_but_does_not_fit_is_kept_and_set_aside(tmp_path: Path, case: str) -> None:
    """A server that was put back may know another plan by the same name; a node may be newer than its server."""
    ready(tmp_path, **PERIOD, policy={"kind": "skip"})
    make, field = FOREIGN_TO_THE_PLAN[case]
    told_, after = make(run()), entry("knife-armed", seq=2)
    assert send(told_, after) == 2
    assert (set_aside().seq, set_aside().entry, set_aside().field) == (1, told_, field)
    machine = Machine.objects.get()
    assert (machine.accepted_through, machine.knife_armed) == (2, True), "what follows counts"
    assert not PrintedStretch.objects.exists() and not Outage.objects.exists() and run().ahead == []
    (notice,) = Notice.objects.filter(cleared_at=None)
    assert notice.kind == "entry-set-aside" and field in notice.said
    assert send(told_, after) == 2, "sent again it is the same"
    with pytest.raises(EntryDiffers):
        send(told_ | {"more": "of it"} if field == "kind" else entry("knife-armed"))
    assert all(result.equal for result in rebuild(swap=False))


def test_a_timeline_waits_as_long_as_the_machine_stood_still(tmp_path: Path) -> None:
    ready(tmp_path, **PERIOD, policy={"kind": "shift"})
    send(settled(3 * 3600.0 + 360.0))
    assert run().shift_s == 3 * 3600.0 + 360.0


def test_no_timeline_waits_longer_than_its_run_has_lasted(tmp_path: Path) -> None:
    ready(tmp_path, **PERIOD, policy={"kind": "shift"})
    entries = [settled(3 * 3600.0) | {"seq": seq} for seq in range(1, 6)]
    send(*entries[:3])
    send(*entries)
    aside = [fact.event for fact in read(kinds=["entry-set-aside"])]
    assert run().shift_s == 9 * 3600.0 and len(aside) == 2


def test_the_sky_does_not_wait(tmp_path: Path) -> None:
    ready(tmp_path)
    send(settled(3 * 3600.0))
    assert set_aside().field == "decision.shift_s" and run().shift_s == 0.0


@pytest.mark.parametrize(
    ("ahead_s", "error_s", "is_kept"),
    [(0.0, None, True), (59.0, None, True), (86_400.0, None, False), (600.0, 570.0, True), (600.0, 1.0, False)],
)
def test_an_instant_that_has_not_come_yet_is_taken_as_now(
    tmp_path: Path, ahead_s: float, error_s: float | None, is_kept: bool
) -> None:
    """What lies on the paper lies there, whatever the clock said by which it was laid."""
    ready(tmp_path)
    now = NOON + timedelta(hours=5)
    status = {
        "at": format_instant(now),
        "next_column": None,
        "paper_position": 0,
        "clock_error_s": error_s,
        "knife_armed": False,
        "held_until": None,
    }
    armed = entry("knife-armed") | {"at": format_instant(now + timedelta(seconds=ahead_s))}
    send(armed, at=now, status=status)
    (fact,) = read(kinds=["knife-armed"])
    assert (fact.happened_at == now + timedelta(seconds=ahead_s)) == is_kept
    beside = [fact.event for fact in read(kinds=["entry-read-in-part"])]
    if is_kept:
        assert not beside
    else:
        assert fact.happened_at == now
        (part,) = beside
        assert isinstance(part, EntryReadInPart) and (part.entry, part.field) == (armed, "at")
    assert send(armed, at=now) == 1
    with pytest.raises(EntryDiffers):
        send(armed | {"at": format_instant(now)} if ahead_s else entry("knife-armed"), at=now)


@pytest.mark.parametrize("year", [1, 1970, 1999])
def test_an_instant_before_there_were_machines_is_taken_as_now(tmp_path: Path, year: int) -> None:
    ready(tmp_path)
    send(printed(at=format_instant(datetime(year, 6, 1, tzinfo=UTC))))
    assert PrintedStretch.objects.get().at == NOON + timedelta(hours=9)
    assert run().printed == 3
    assert Notice.objects.get().kind == "entry-read-in-part"


def test_a_field_that_is_not_known_holds_back_nothing(tmp_path: Path) -> None:
    ready(tmp_path)
    newer = printed(temperature_c=21.5)
    deep = settled(gap__humidity=0.4) | {"seq": 2}
    assert send(newer, deep) == 2
    assert (run().printed, Outage.objects.count()) == (3, 1)
    kept = [fact.event for fact in read(kinds=["entry-read-in-part"])]
    assert [(one.field, one.entry) for one in kept] == [("temperature_c", newer), ("gap.humidity", deep)]  # type: ignore[union-attr]
    assert send(newer, deep, entry("knife-armed", seq=3)) == 3
    assert send(printed(), settled() | {"seq": 2}) == 3, "a board that was put back to an older agent tells the same"
    assert all(result.equal for result in rebuild(swap=False))


@pytest.mark.parametrize("body", ["", "\x00" * 9999, '{"kind": "knife-ar', b"\xff\xfe", chr(0xD800), '{"kind": 1e999}'])
def test_what_lies_spoilt_in_a_boards_journal_is_set_aside_and_what_follows_counts(tmp_path: Path, body: Any) -> None:
    ready(tmp_path)
    spoilt, after = as_told(1, body), as_told(2, json.dumps(entry("knife-armed", seq=2)))
    assert send(spoilt, after) == 2
    assert (set_aside().seq, set_aside().entry, set_aside().field) == (1, spoilt, "kind")
    assert Machine.objects.get().knife_armed
    (notice,) = Notice.objects.filter(cleared_at=None)
    assert notice.kind == "entry-set-aside" and "'spoilt'" in notice.said
    assert send(spoilt, after) == 2, "sent again it is the same"
    assert all(result.equal for result in rebuild(swap=False))


@pytest.mark.parametrize("status", ["lost", 7, {"at": "yesterday"}, {"mood": "good"}])
def test_a_status_that_cannot_be_read_holds_back_nothing(tmp_path: Path, status: Any, caplog: Any) -> None:
    ready(tmp_path)
    assert send(printed(), status=status) == 1
    assert "cannot be read, and is ignored" in caplog.text


def test_a_status_with_a_field_that_is_not_known_is_read() -> None:
    status = {
        "at": "2026-10-24T12:00:00Z",
        "next_column": 3,
        "paper_position": 0,
        "clock_error_s": 0.1,
        "knife_armed": False,
        "held_until": None,
        "lamp": "lit",
    }
    found = read_batch({"epoch": 1, "entries": [], "status": status}).status
    assert found is not None and found.next_column == 3


@pytest.mark.parametrize(
    ("said", "kept"),
    [
        ("http://machine-7.local:8370", "http://machine-7.local:8370"),
        ("http://machine-7.local:8370/?next=elsewhere", None),
        ("javascript:alert(1)", None),
        ("http://" + "a" * 200, None),
        (None, None),
    ],
)
def test_where_a_panel_is_has_bounds_and_holds_back_nothing_else(said: str | None, kept: str | None) -> None:
    status = {
        "at": "2026-10-24T12:00:00Z",
        "next_column": 3,
        "paper_position": 0,
        "clock_error_s": 0.1,
        "knife_armed": False,
        "held_until": None,
        "panel": said,
    }
    found = read_batch({"epoch": 1, "entries": [], "status": status}).status
    assert found is not None and (found.next_column, found.panel) == (3, kept)


@pytest.mark.parametrize("numbers", [(2, 1), (1, 1), (3, 2, 1), (1, 3, 2)])
def test_numbers_that_do_not_ascend_are_refused(tmp_path: Path, numbers: tuple[int, ...]) -> None:
    """Told in another order, a copied board's entries would not be held against those that were taken."""
    ready(tmp_path)
    send(entry("knife-armed"), entry("knife-armed", seq=2))
    with pytest.raises(InputError, match=r"entries\[\d\]\.seq: \d follows \d; give the entries in the order"):
        send(*[entry("knife-armed", seq=number) for number in numbers])


def test_a_batch_has_so_many_entries() -> None:
    entries = [entry("knife-armed", seq=seq) for seq in range(1, 502)]
    assert len(read_batch({"epoch": 1, "entries": entries[:500]}).entries) == MOST_ENTRIES
    with pytest.raises(TooManyEntries, match="501 entries in a batch; send at most 500"):
        read_batch({"epoch": 1, "entries": entries})


def test_an_entry_that_is_not_understood_is_no_place_for_a_film() -> None:
    with pytest.raises(InputError, match=r"entries\[0\]: .* characters, and not understood; give at most 200000"):
        read_batch({"epoch": 1, "entries": [entry("film", frames="x" * 200_000)]})


def test_an_epoch_that_nobody_here_gave_is_called_that(tmp_path: Path) -> None:
    ready(tmp_path)
    with pytest.raises(StaleEpoch, match="epoch 2 is not known here, where 1 is the newest: an older copy"):
        send(epoch=2)


def test_the_bounds_are_these() -> None:
    assert entry_bounds.MOST_PLACES == 10_000_000_000
    assert entry_bounds.MOST_MISS_S == 316_224_000.0
    assert (entry_bounds.MOST_KEYWORDS, entry_bounds.LONGEST_KEYWORD) == (64, 100)
    assert (entry_bounds.LONGEST_REASON, entry_bounds.MOST_CLOSED) == (2000, 1000)
    assert timedelta(seconds=60) == entry_bounds.SLACK
    assert timedelta(days=7) == entry_bounds.FARTHEST_AHEAD
    assert entry_bounds.EARLIEST_YEAR == 2000
    assert (received_entries.MOST_ENTRIES, received_entries.LONGEST_ENTRY, upcasts.LONGEST_KIND) == (500, 200_000, 60)
    assert (settlement_check.SHIFT_TOLERANCE_S, known_runs.MOST_ERROR_S) == (0.001, 86_400.0)
