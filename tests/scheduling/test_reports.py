"""A node's reports are taken once, however often and in whatever pieces they come."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from django.db import transaction

from machines.entries import GapSettled
from machines.recovery import Gap, Policy, settle
from machines.wire import pace
from scheduling.enrolment import enrol
from scheduling.log.models import Event, Machine, Outage, Run, Segment
from scheduling.reports import JournalDiffers, MissingEntries, StaleEpoch, take
from scheduling.selectors import run_work
from tests.scheduling.house import NOON, batch, by, printed, ready, small_profile, started

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
    assert take("one", reports, by()) == 2
    events = Event.objects.count()
    assert take("one", reports, by()) == 2
    assert Event.objects.count() == events
    assert first_segment().state == "printed"


def test_a_batch_that_overlaps_brings_only_what_is_new(tmp_path: Path) -> None:
    ready(tmp_path)
    take("one", batch(started()), by())
    assert take("one", batch(started(), whole_segment()), by()) == 2
    assert Event.objects.filter(kind="node-started").count() == 1


def test_a_hole_is_refused_and_says_what_was_expected(tmp_path: Path) -> None:
    ready(tmp_path)
    with pytest.raises(MissingEntries) as caught:
        take("one", batch(started(), whole_segment(seq=3)), by())
    assert (caught.value.expected, caught.value.got) == (2, 3)
    assert Machine.objects.get().accepted_through == 0


def test_a_replaced_board_is_fenced_off(tmp_path: Path) -> None:
    ready(tmp_path)
    enrol("one", by())
    with pytest.raises(StaleEpoch, match="epoch 1 was replaced by 2"):
        take("one", batch(started()), by())
    assert take("one", batch(started(), epoch=2), by()) == 1


def test_a_copied_board_is_found_out_when_it_tells_something_else_under_the_same_number(tmp_path: Path) -> None:
    ready(tmp_path)
    take("one", batch(started(), whole_segment()), by())
    events = Event.objects.count()
    other = replace(started(2), at=NOON + timedelta(seconds=1))
    for copied in (batch(started(), other), batch(other), batch(other, whole_segment(seq=3))):
        with pytest.raises(JournalDiffers, match=r"entry 2 was told before.*enrol it again"):
            take("one", copied, by())
    assert Event.objects.count() == events
    assert take("one", batch(started(), whole_segment(), started(3)), by()) == 3, "the first to tell goes on"


def test_old_batches_that_come_late_are_the_same_to_the_last_word(tmp_path: Path) -> None:
    ready(tmp_path)
    entries = [started(1), whole_segment(2), gap_settled(3), *map(started, range(4, 9))]
    take("one", batch(*entries), by())
    for first in range(len(entries)):
        for end in range(first + 1, len(entries) + 1):
            assert take("one", batch(*entries[first:end]), by()) == len(entries)
            with pytest.raises(JournalDiffers):
                changed = replace(entries[end - 1], at=NOON + timedelta(days=9))  # type: ignore[type-var]
                take("one", batch(*entries[first : end - 1], changed), by())


def test_a_server_put_back_from_a_backup_is_told_again_what_it_lost(tmp_path: Path) -> None:
    ready(tmp_path)
    entries = [*map(started, range(1, 4)), whole_segment(4), started(5), started(6)]
    take("one", batch(*entries[:3]), by())
    with transaction.atomic():  # what happens in here is not in the backup
        assert take("one", batch(*entries[3:5]), by()) == 5
        transaction.set_rollback(True)
    with pytest.raises(MissingEntries) as caught:
        take("one", batch(entries[5]), by())
    assert caught.value.expected == 4
    assert take("one", batch(*entries[3:]), by()) == 6
    assert take("one", batch(*entries), by()) == 6


def test_entries_of_an_earlier_epoch_are_not_mistaken_for_this_ones(tmp_path: Path) -> None:
    ready(tmp_path)
    take("one", batch(started(), whole_segment()), by())
    enrol("one", by())
    anew = replace(started(), at=NOON + timedelta(hours=2))
    assert take("one", batch(anew, epoch=2), by()) == 1
    assert take("one", batch(anew, epoch=2), by()) == 1


def test_an_empty_batch_is_taken(tmp_path: Path) -> None:
    ready(tmp_path)
    assert take("one", batch(), by()) == 0


def test_the_server_agrees_with_a_settlement_by_the_policy(tmp_path: Path) -> None:
    ready(tmp_path)
    take("one", batch(started(), gap_settled(2)), by())
    outage, run = Outage.objects.get(), Run.objects.get()
    assert outage.differs is None
    assert (run.printed, run.unknown, run.skipped) == (0, 3, 37)


def test_a_settlement_by_another_policy_is_taken_and_marked(tmp_path: Path) -> None:
    ready(tmp_path)
    take("one", batch(started(), gap_settled(2, policy="replay")), by())
    outage = Outage.objects.get()
    assert outage.decision["action"] == "replay"
    assert outage.differs["action"] == "skip"
    assert Event.objects.filter(kind="settlement-differed").count() == 1


def test_a_wrong_decision_is_marked(tmp_path: Path) -> None:
    ready(tmp_path)
    settled = gap_settled(2)
    wrong = replace(settled, decision=replace(settled.decision, true_again=settled.decision.true_again + 4))
    take("one", batch(started(), wrong), by())
    assert Outage.objects.get().differs is not None


def test_a_report_of_a_run_that_nobody_knows_is_a_fact_all_the_same(tmp_path: Path) -> None:
    ready(tmp_path)
    strange = replace(gap_settled(2), run="unheard-of")
    assert take("one", batch(started(), strange), by()) == 2
