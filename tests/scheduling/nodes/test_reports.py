"""A node's reports are taken once, however often and in whatever pieces they come."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext

from machines.protocol.journal_entries import GapSettled
from machines.protocol.messages import pace
from machines.recovery import Columns, Gap, Policy, settle
from scheduling.commands.enrol_node import enrol
from scheduling.log.models import Event, Machine, Notice, Outage, PrintedStretch, Run, Segment
from scheduling.nodes.reports import EntryDiffers, MissingEntries, StaleEpoch, take
from scheduling.nodes.settlement_check import do_the_same
from scheduling.queries.runs import run_work
from tests.scheduling.house import NOON, batch, by, long_after, printed, ready, small_profile, started

pytestmark = pytest.mark.django_db


def first_segment() -> Segment:
    segment = Segment.objects.order_by("number").first()
    assert segment is not None
    return segment


def whole_segment(seq: int = 2) -> object:
    segment = first_segment()
    columns = segment.end_column - segment.first_column
    return printed(seq, segment.number, segment.first_column, segment.end_column, columns)


def gap_settled(seq: int, policy: str = "skip") -> GapSettled:
    run = Run.objects.get()
    gap = Gap(
        first=run.first_column,
        unknown_end=run.first_column + 3,
        end=run.first_column + 40,
        cause="power",
        noticed_at=NOON + timedelta(hours=4),
    )
    chosen = Policy(kind="skip" if policy == "skip" else "replay")
    decision = settle(chosen, gap, pace(small_profile(), run_work(run)))
    return GapSettled(
        seq=seq, at=gap.noticed_at, run="first", gap=gap, policy=chosen, decision=decision, paper_position=0
    )


def test_the_same_batch_twice_changes_nothing(tmp_path: Path) -> None:
    ready(tmp_path)
    reports = batch(started(), whole_segment())
    assert take("one", reports, long_after()) == 2
    events = Event.objects.count()
    assert take("one", reports, long_after()) == 2
    assert Event.objects.count() == events
    assert first_segment().state == "printed"


def test_a_batch_that_overlaps_brings_only_what_is_new(tmp_path: Path) -> None:
    ready(tmp_path)
    take("one", batch(started()), long_after())
    assert take("one", batch(started(), whole_segment()), long_after()) == 2
    assert Event.objects.filter(kind="node-started").count() == 1


def test_a_hole_is_refused_and_says_what_was_expected(tmp_path: Path) -> None:
    ready(tmp_path)
    with pytest.raises(MissingEntries) as caught:
        take("one", batch(started(), whole_segment(seq=3)), long_after())
    assert (caught.value.expected, caught.value.got) == (2, 3)
    assert Machine.objects.get().accepted_through == 0


def test_a_replaced_board_is_fenced_off(tmp_path: Path) -> None:
    ready(tmp_path)
    enrol("one", by())
    with pytest.raises(StaleEpoch, match="epoch 1 was replaced by 2"):
        take("one", batch(started()), long_after())
    assert take("one", batch(started(), epoch=2), long_after()) == 1


def test_a_copied_board_is_found_out_when_it_tells_something_else_under_the_same_number(tmp_path: Path) -> None:
    ready(tmp_path)
    take("one", batch(started(), whole_segment()), long_after())
    events = Event.objects.count()
    other = replace(started(2), at=NOON + timedelta(seconds=1))
    for copied in (batch(started(), other), batch(other), batch(other, whole_segment(seq=3))):
        with pytest.raises(EntryDiffers, match=r"entry 2 was told before.*enrol it again"):
            take("one", copied, long_after())
    assert Event.objects.count() == events
    assert take("one", batch(started(), whole_segment(), started(3)), long_after()) == 3, "the first to tell goes on"


def test_old_batches_that_come_late_are_the_same_to_the_last_word(tmp_path: Path) -> None:
    ready(tmp_path)
    entries = [started(1), whole_segment(2), gap_settled(3), *map(started, range(4, 9))]
    take("one", batch(*entries), long_after())
    for first in range(len(entries)):
        for end in range(first + 1, len(entries) + 1):
            assert take("one", batch(*entries[first:end]), long_after()) == len(entries)
            with pytest.raises(EntryDiffers):
                changed = replace(entries[end - 1], at=NOON + timedelta(days=9))  # type: ignore[type-var]
                take("one", batch(*entries[first : end - 1], changed), long_after())


def test_a_server_put_back_from_a_backup_is_told_again_what_it_lost(tmp_path: Path) -> None:
    ready(tmp_path)
    entries = [*map(started, range(1, 4)), whole_segment(4), started(5), started(6)]
    take("one", batch(*entries[:3]), long_after())
    with transaction.atomic():  # what happens in here is not in the backup
        assert take("one", batch(*entries[3:5]), long_after()) == 5
        transaction.set_rollback(True)
    with pytest.raises(MissingEntries) as caught:
        take("one", batch(entries[5]), long_after())
    assert caught.value.expected == 4
    assert take("one", batch(*entries[3:]), long_after()) == 6
    assert take("one", batch(*entries), long_after()) == 6


def test_entries_of_an_earlier_epoch_are_not_mistaken_for_this_ones(tmp_path: Path) -> None:
    ready(tmp_path)
    take("one", batch(started(), whole_segment()), long_after())
    enrol("one", by())
    anew = replace(started(), at=NOON + timedelta(hours=2))
    assert take("one", batch(anew, epoch=2), long_after()) == 1
    assert take("one", batch(anew, epoch=2), long_after()) == 1


def test_an_empty_batch_is_taken(tmp_path: Path) -> None:
    ready(tmp_path)
    assert take("one", batch(), long_after()) == 0


def test_the_server_agrees_with_a_settlement_by_the_policy(tmp_path: Path) -> None:
    ready(tmp_path)
    take("one", batch(started(), gap_settled(2)), long_after())
    outage, run = Outage.objects.get(), Run.objects.get()
    assert outage.differs is None
    assert (run.printed, run.unknown, run.skipped) == (0, 3, 37)


def test_a_settlement_by_another_policy_is_taken_and_marked(tmp_path: Path) -> None:
    ready(tmp_path)
    take("one", batch(started(), gap_settled(2, policy="replay")), long_after())
    outage = Outage.objects.get()
    assert outage.decision["action"] == "replay"
    assert outage.differs["action"] == "skip"
    assert Event.objects.filter(kind="settlement-differed").count() == 1


def test_a_wrong_decision_is_marked(tmp_path: Path) -> None:
    ready(tmp_path)
    settled = gap_settled(2)
    wrong = replace(settled, decision=replace(settled.decision, true_again=settled.decision.true_again + 4))
    take("one", batch(started(), wrong), long_after())
    assert Outage.objects.get().differs is not None


def elsewhere(columns: Columns) -> Columns:
    """The same columns; none lie in another place."""
    return columns if columns else Columns(first=7, end=7)


@pytest.mark.parametrize("policy", ["skip", "replay"])
def test_a_settlement_that_does_the_same_is_the_same_in_other_words(tmp_path: Path, policy: str) -> None:
    """As a node that somebody else wrote says it: no sentence counts, no price, and no last digit of a float."""
    ready(tmp_path, policy={"kind": policy})
    settled = gap_settled(2, policy)
    parts = {name: elsewhere(getattr(settled.decision, name)) for name in ("again", "finished", "skipped", "replayed")}
    hours = settled.decision.hours_until_true * (1 + 1e-13)
    said = replace(settled.decision, reason="left out", hours_until_true=hours, paper_mm=1.0, shift_s=0.0004, **parts)
    assert said != settled.decision
    assert do_the_same(settled.decision, said)
    take("one", batch(started(), replace(settled, decision=replace(said, shift_s=0.0))), long_after())
    assert Outage.objects.get().differs is None


@pytest.mark.parametrize(
    "change",
    [
        {"action": "blank"},
        {"shift_s": 0.002},
        {"true_again": 10**9},
        {"skipped": Columns(first=3, end=4)},
        {"finished": Columns(first=3, end=4)},
    ],
)
def test_a_settlement_that_does_something_else_differs(tmp_path: Path, change: dict[str, Any]) -> None:
    ready(tmp_path)
    ours = gap_settled(2).decision
    assert not do_the_same(ours, replace(ours, **change))


def test_a_report_of_a_run_that_nobody_knows_is_a_fact_all_the_same(tmp_path: Path) -> None:
    ready(tmp_path)
    strange = replace(gap_settled(2), run="unheard-of")
    assert take("one", batch(started(), strange), long_after()) == 2


@pytest.mark.parametrize(
    ("first", "end", "place", "counts"),
    [(0, 4, 0, False), (1, 3, 1, False), (0, 5, 0, True), (0, 4, 9, True), (1, 3, 2, True)],
)
def test_columns_that_were_told_of_the_same_place_on_the_paper_are_told_once(
    tmp_path: Path, first: int, end: int, place: int, counts: bool
) -> None:
    """A journal that lost what it wrote last is enrolled again, and tells anew what it laid."""
    ready(tmp_path)
    segment = Segment.objects.order_by("number")[1]
    begin = segment.first_column
    take("one", batch(started(), printed(2, segment.number, begin, begin + 4, 4)), long_after())
    enrol("one", by())
    again = printed(1, segment.number, begin + first, begin + end, end - first, place)
    assert take("one", batch(again, epoch=2), long_after()) == 1
    assert PrintedStretch.objects.count() == 1 + counts
    aside = [event.data["problem"] for event in Event.objects.filter(kind="entry-told-twice")]
    assert aside == ([] if counts else ["told before, of the same place on the paper"])
    assert take("one", batch(again, epoch=2), long_after()) == 1, "however often it is sent"
    assert not Notice.objects.filter(kind="entry-set-aside").exists(), "there is nothing to look at"


def test_an_outage_that_was_told_before_takes_nothing_back(tmp_path: Path) -> None:
    """Nor is one told twice that was noticed at another time."""
    ready(tmp_path)
    take("one", batch(started(), gap_settled(2)), long_after())
    enrol("one", by())
    assert take("one", batch(gap_settled(1), epoch=2), long_after()) == 1
    (outage,) = Outage.objects.all()
    assert outage.seq == 2
    (aside,) = [event.data["problem"] for event in Event.objects.filter(kind="entry-told-twice")]
    assert aside == "told before, as the same outage"
    other = gap_settled(2)
    later = replace(other, gap=replace(other.gap, noticed_at=other.gap.noticed_at + timedelta(seconds=1)))
    assert take("one", batch(later, epoch=2), long_after()) == 2
    assert Outage.objects.count() == 2


@pytest.mark.parametrize(
    ("first", "end", "counts"), [(0, 3, False), (1, 3, False), (0, 4, True), (3, 5, True), (4, 5, False)]
)
def test_what_was_told_in_pieces_is_told_once_as_one(tmp_path: Path, first: int, end: int, counts: bool) -> None:
    """Pieces that reach over one another, and a gap after the third column."""
    ready(tmp_path)
    segment = Segment.objects.order_by("number")[1]
    begin = segment.first_column
    pieces = [
        printed(seq, segment.number, begin + one, begin + other, other, one)
        for seq, (one, other) in enumerate([(0, 2), (1, 2), (2, 3), (4, 5)], 2)
    ]
    take("one", batch(started(), *pieces), long_after())
    enrol("one", by())
    again = printed(1, segment.number, begin + first, begin + end, end - first, first)
    take("one", batch(again, epoch=2), long_after())
    assert PrintedStretch.objects.count() == 4 + counts


def test_of_a_long_history_only_what_lies_near_is_read(tmp_path: Path) -> None:
    ready(tmp_path)
    segment = Segment.objects.order_by("number")[1]
    begin = segment.first_column
    take("one", batch(started(), printed(2, segment.number, begin, begin + 4, 4)), long_after())
    enrol("one", by())
    with CaptureQueriesContext(connection) as asked:
        take("one", batch(printed(1, segment.number, begin, begin + 4, 4), epoch=2), long_after())
    (question,) = [
        one["sql"] for one in asked if one["sql"].startswith("SELECT") and "FROM log_printedstretch" in one["sql"]
    ]
    with connection.cursor() as cursor:
        cursor.execute(f"EXPLAIN QUERY PLAN {question}")
        plan = " ".join(row[-1] for row in cursor.fetchall())
    assert "log_stretch_paper (machine_id=? AND paper_position>? AND paper_position<?)" in plan


def test_the_machine_and_its_model_are_read_once_for_a_whole_batch(tmp_path: Path) -> None:
    ready(tmp_path)
    enrol("one", by())
    segment = Segment.objects.order_by("number")[1]
    begin = segment.first_column
    laid = [printed(seq, segment.number, begin + seq, begin + seq + 1, seq, 40 + seq) for seq in range(2, 5)]
    with CaptureQueriesContext(connection) as asked:
        take("one", batch(gap_settled(1), *laid, epoch=2), long_after())
    assert PrintedStretch.objects.count() == 3 and Outage.objects.count() == 1
    read = [one["sql"] for one in asked if one["sql"].startswith("SELECT")]
    assert len([sql for sql in read if "log_profile" in sql]) == 1
    assert not any('FROM "log_machine"' in sql for sql in read)


def test_columns_told_anew_by_one_and_the_same_journal_are_another_fact(tmp_path: Path) -> None:
    """It numbers what it tells, so that nothing is told twice."""
    ready(tmp_path)
    segment = Segment.objects.order_by("number")[1]
    whole = [printed(seq, segment.number, segment.first_column, segment.first_column + 4, 4) for seq in (2, 3)]
    take("one", batch(started(), *whole[:1]), long_after())
    take("one", batch(*whole[1:]), long_after())
    assert PrintedStretch.objects.count() == 2
