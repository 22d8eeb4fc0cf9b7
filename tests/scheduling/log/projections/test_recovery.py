"""What a settled gap does to a run, its segments and its outages: late, blank, again, shifted, overridden."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from machines.protocol.journal_entries import GapSettled
from machines.recovery import Columns, HalfPrinted, Limit, Override, Policy, Rule, RuleKind
from scheduling.commands.run_changes import said_of
from scheduling.log.events.server import NodeEnrolled, SilenceBegan
from scheduling.log.models import Machine, Notice, Outage, Run, Segment
from scheduling.log.models import Override as OverrideRow
from scheduling.log.moment import AsOf
from scheduling.log.projecting.as_of import run_at
from tests.scheduling.log.facts import (
    NOW,
    a_run_on_a_machine,
    acted,
    at,
    conditions,
    gap_settled,
    overridden,
    printed,
    run,
    say,
    segments,
    started,
    true_again,
)

pytestmark = pytest.mark.django_db


def gap(seq: int, first: int, unknown_end: int, end: int, rule: Rule | None = None, **facts: Any) -> GapSettled:
    policy = Policy(**vars(rule or Rule(kind="skip")))
    return gap_settled(seq, first, unknown_end, end, policy=policy, facts={"missing_since": at(unknown_end), **facts})


def half(kind: RuleKind, half_printed: HalfPrinted) -> Rule:
    return Rule(kind=kind, half_printed=half_printed)


def spring() -> Run:
    return Run.objects.get(id="spring")


def segment(number: int) -> Segment:
    return Segment.objects.get(pk=("spring", number))


def the_open() -> list[int]:
    return list(Outage.objects.filter(true_again_at=None).order_by("version").values_list("seq", flat=True))


# Blank, within a limit, finish, abandon.


def test_what_is_fed_blank_is_left_out_and_the_outage_says_so() -> None:
    a_run_on_a_machine(0, 1)
    say("machine/left", printed(1, 0, 10), gap(2, 10, 12, 40, Rule(kind="blank")))
    outage = Outage.objects.get()
    assert (outage.decision["action"], outage.true_again_at) == ("blank", at(40))
    assert (spring().printed, spring().unknown, spring().skipped) == (10, 2, 28)


def test_only_the_newest_are_due_within_a_limit() -> None:
    a_run_on_a_machine(0, 1)
    limit = Limit(value=0.5, unit="hours")  # 30 columns
    say("machine/left", gap(1, 0, 0, 80, Rule(kind="replay-within", within=limit)))
    assert Outage.objects.get().decision["replayed"] == {"first": 52, "end": 80}
    assert (spring().skipped, segment(0).state, segment(1).outcomes) == (52, "left-out", [[50, 52, "skipped"]])
    assert the_open() == [1]


def test_a_half_printed_segment_that_is_finished_is_due_and_the_rest_left_out() -> None:
    a_run_on_a_machine(0, 1)
    say("machine/left", printed(1, 0, 10), gap(2, 10, 10, 80, half("skip", "finish"), segment=Columns(first=0, end=50)))
    assert (segment(0).outcomes, segment(1).outcomes) == ([[0, 10, "printed"]], [[50, 80, "skipped"]])
    assert the_open() == [2]
    say("machine/left", printed(3, 10, 50, paper_position=10), true_again(4, 96))
    assert segment(0).state == "printed"
    assert the_open() == []


def test_a_half_printed_segment_that_is_abandoned_is_partly_printed() -> None:
    a_run_on_a_machine(0, 1)
    rule = half("replay", "abandon")
    say("machine/left", printed(1, 0, 10), gap(2, 10, 10, 80, rule, segment=Columns(first=0, end=50)))
    assert (segment(0).state, segment(0).outcomes) == ("partly", [[0, 10, "printed"], [10, 50, "skipped"]])
    assert segment(1).outcomes == []  # to be replayed


# Again.


def printed_again_from(first: int = 0) -> GapSettled:
    return gap(2, 10, 12, 40, half("skip", "again"), segment=Columns(first=first, end=50))


def test_a_segment_printed_again_keeps_what_lies_on_the_paper_and_is_due_once_more() -> None:
    a_run_on_a_machine(0, 1)
    say("machine/left", printed(1, 0, 10), printed_again_from())
    assert Outage.objects.get().decision["again"] == {"first": 0, "end": 12}
    assert (segment(0).again, spring().again, spring().repeated) == ([[0, 12]], 12, 0)
    assert (spring().printed, spring().unknown, spring().skipped) == (10, 2, 0)  # the rest is finished late
    say("machine/left", printed(3, 0, 6, paper_position=12))
    assert (segment(0).again, spring().again, spring().repeated) == ([[6, 12]], 6, 6)
    say("machine/left", printed(4, 6, 50, paper_position=18))
    assert (segment(0).again, spring().again, spring().repeated) == ([], 0, 12)
    assert (spring().printed, spring().unknown, segment(0).state) == (50, 0, "printed")


def test_a_later_gap_takes_over_what_was_to_be_printed_again() -> None:
    a_run_on_a_machine(0, 1)
    say("machine/left", printed(1, 0, 10), printed_again_from(), printed(3, 0, 4, paper_position=12))
    say("machine/left", gap(4, 4, 4, 60, Rule(kind="skip")))
    assert (segment(0).again, spring().again, spring().repeated) == ([], 0, 4)
    assert segment(0).outcomes == [[0, 10, "printed"], [10, 12, "unknown"], [12, 50, "skipped"]]
    assert the_open() == []


def test_a_gap_after_what_was_to_be_printed_again_lets_go_of_it() -> None:
    """As of a board whose journal lost that it was to go back, and whose paper the machine remembers."""
    a_run_on_a_machine(0, 1)
    say("machine/left", printed(1, 0, 10), printed_again_from())
    say("machine/left", gap(3, 12, 20, 20, Rule(kind="skip")))
    assert (segment(0).again, spring().again, spring().repeated) == ([], 0, 0)
    assert segment(0).outcomes == [[0, 10, "printed"], [10, 20, "unknown"]]


def test_printing_after_what_was_to_be_printed_again_lets_go_of_it() -> None:
    """As of a board whose journal lost that it was to go back, and that is in time for what follows."""
    a_run_on_a_machine(0, 1)
    say("machine/left", printed(1, 0, 10), printed_again_from())
    say("machine/left", printed(3, 12, 50, paper_position=12))
    assert (segment(0).again, spring().again, spring().repeated) == ([], 0, 0)
    assert segment(0).outcomes == [[0, 10, "printed"], [10, 12, "unknown"], [12, 50, "printed"]]


def test_of_a_long_run_only_what_is_to_be_printed_again_is_read_and_written() -> None:
    """What lies behind is nearly all of it, and each report is folded while everybody waits to append."""
    a_run_on_a_machine(*range(12))
    whole = [printed(seq, first, first + 50) for seq, first in enumerate(range(0, 500, 50), 1)]
    again = gap(12, 510, 512, 540, half("skip", "again"), segment=Columns(first=500, end=550))
    say("machine/left", *whole, printed(11, 500, 510), again)
    with CaptureQueriesContext(connection) as asked:
        say("machine/left", printed(13, 500, 504, paper_position=512))
    assert segment(10).again == [[504, 512]]
    written = [one["sql"] for one in asked if one["sql"].startswith("INSERT INTO log_segment ")]
    assert len(written) <= 2
    with CaptureQueriesContext(connection) as asked:
        say("machine/left", gap(14, 504, 504, 560))
    assert spring().again == 0
    written = [one["sql"] for one in asked if one["sql"].startswith("INSERT INTO log_segment ")]
    assert len(written) <= 3


def test_a_later_gap_that_replays_makes_due_what_was_left_out() -> None:
    """The rest of the segment was being finished and what follows left out, when power went again."""
    a_run_on_a_machine(0, 1)
    rule = half("skip", "finish")
    say("machine/left", printed(1, 0, 10), gap(2, 10, 10, 80, rule, segment=Columns(first=0, end=50)))
    say("machine/left", printed(3, 10, 20, paper_position=10), gap(4, 20, 20, 90, Rule(kind="replay")))
    assert (segment(0).outcomes, segment(1).outcomes) == ([[0, 20, "printed"]], [])
    assert (spring().printed, spring().skipped, segment(1).state) == (20, 0, "planned")
    assert the_open() == [2, 4]
    say("machine/left", printed(5, 20, 50, paper_position=20), printed(6, 50, 100, paper_position=50))
    assert spring().printed == 100


def test_what_was_left_out_ahead_of_its_segment_may_be_due_after_all() -> None:
    a_run_on_a_machine(0)
    say("machine/left", gap(1, 40, 40, 120, Rule(kind="skip")))
    assert spring().ahead == [[50, 120, "skipped"]]
    say("machine/left", gap(2, 60, 60, 130, Rule(kind="replay")))
    assert spring().ahead == [[50, 60, "skipped"]]


def test_an_override_that_leaves_out_what_was_being_replayed_ends_every_outage() -> None:
    a_run_on_a_machine(0, 1)
    say("machine/left", gap(1, 10, 10, 60, Rule(kind="replay")), gap(2, 20, 20, 80, Rule(kind="replay")))
    assert the_open() == [1, 2]
    say("machine/left", gap(3, 30, 30, 90, Rule(kind="skip")))
    assert the_open() == []
    assert set(Outage.objects.values_list("true_again_at", flat=True)) == {at(90)}
    assert not Notice.objects.filter(kind="gap", cleared_at=None).exists()


# Shift.


def noticed(seq: int, first: int, end: int) -> GapSettled:
    return gap(seq, first, first, end, Rule(kind="shift"))


def test_a_timeline_that_waits_moves_the_remaining_segments_and_the_end() -> None:
    a_run_on_a_machine(0, 1, 2)
    before = spring().ends_at
    say("machine/left", printed(1, 0, 60), noticed(2, 60, 90))
    decision = Outage.objects.get().decision
    shift = timedelta(seconds=decision["shift_s"])
    assert timedelta(minutes=30) <= shift <= timedelta(minutes=36)
    assert (spring().shift_s, spring().shifts) == (decision["shift_s"], [[60, decision["shift_s"]]])
    assert spring().ends_at == before + shift
    assert (segment(0).starts_at, segment(0).ends_at) == (at(0), at(50))
    assert (segment(1).starts_at, segment(1).ends_at) == (at(50), at(100) + shift)
    assert (segment(2).starts_at, segment(2).ends_at) == (at(100) + shift, at(150) + shift)
    assert segment(2).knots[0] == "2026-03-29T01:10:00.000000Z"  # as planned
    assert the_open() == []
    assert (spring().skipped, spring().printed) == (0, 60)


def test_segments_planned_later_are_as_late_as_the_timeline_has_waited() -> None:
    a_run_on_a_machine(0, 1)
    say("machine/left", printed(1, 0, 60), noticed(2, 60, 90), printed(3, 60, 70), noticed(4, 70, 80))
    say("run/spring", segments(2))
    shift = timedelta(seconds=spring().shift_s)
    assert len(spring().shifts) == 2
    assert (segment(2).starts_at, segment(2).ends_at) == (at(100) + shift, at(150) + shift)
    say("run/spring", segments(1))  # planned once more
    assert segment(1).ends_at == at(100) + shift


def test_what_people_said_of_an_end_stays_to_the_microsecond_however_often_the_timeline_waits() -> None:
    """By it a change is known: nobody is told that somebody else was first, where only the machine told of a gap."""
    a_run_on_a_machine(0, 1)
    said = said_of(spring())
    for seq, first in ((1, 0), (2, 10)):
        waits = noticed(seq, first, first + 10)
        say("machine/left", replace(waits, decision=replace(waits.decision, shift_s=600.3000004)))
    assert spring().shift_s == 1200.6000008
    assert said_of(spring()) == said


# Overrides.


def test_a_word_waits_until_it_is_used() -> None:
    a_run_on_a_machine(0, 1)
    (fact,) = say("machine/left", overridden("left-1"))
    row = OverrideRow.objects.get()
    assert (row.id, row.machine_id, row.run_id, row.because) == ("left-1", "left", "spring", "hold")
    assert (row.rule["kind"], row.reason, row.given_at, row.given_by) == ("skip", "the paper is torn", NOW, fact.actor)
    assert row.used_by is None
    word = Override(id="left-1", rule=Rule(kind="skip"), given_at=NOW)
    say("machine/left", gap(1, 10, 10, 40, Rule(kind="replay"), override=word))
    outage = Outage.objects.get()
    assert (outage.override, OverrideRow.objects.get().used_by) == ("left-1", outage.id)
    assert outage.decision["action"] == "skip"
    assert outage.decision["reason"].startswith("a person decided")


def test_a_word_that_nobody_gave_is_named_all_the_same() -> None:
    a_run_on_a_machine(0, 1)
    word = Override(id="left-5", rule=Rule(kind="skip"), given_at=NOW)
    say("machine/left", gap(1, 10, 10, 40, override=word))
    assert Outage.objects.get().override == "left-5"
    assert not OverrideRow.objects.exists()


def test_a_word_is_no_older_than_it_was_given() -> None:
    a_run_on_a_machine(0, 1)
    word = Override(id="left-9", rule=Rule(kind="skip"), given_at=NOW)
    say("machine/left", overridden("left-9"))
    say("machine/left", gap(1, 10, 10, 40, override=word), minutes=60)
    then = run_at("spring", AsOf(known_by=at(30)))
    assert then is not None
    assert then.outages == ()
    now = run_at("spring", AsOf())
    assert now is not None
    assert [one.override for one in now.outages] == ["left-9"]


# What holds the machine, and what a person did there.


def left() -> tuple[str, Any]:
    row = Machine.objects.get(id="left")
    return row.hold, row.held_since


def test_a_person_holds_the_machine_and_lets_it_go_on() -> None:
    a_run_on_a_machine(0)
    said = []
    for seq, action in enumerate(("stop", "release", "roll-changed", "resume"), 1):
        say("machine/left", acted(seq, action, minutes=seq))
        open_words = Notice.objects.filter(kind="operator-acted", cleared_at=None).values_list("said", flat=True)
        said.append((left(), [words.partition(";")[0] for words in open_words]))
    assert said == [
        (("stopped", at(1)), ["a person stopped it"]),
        (("paused", at(1)), ["a person released the stop"]),
        (("paused", at(1)), ["a person released the stop"]),
        (("", None), []),
    ]
    assert Notice.objects.filter(kind="operator-acted").count() == 4


def laid_at(seq: int, minutes: float) -> Any:
    return printed(seq, 0, 10, at=at(minutes))


def test_an_unplanned_stop_holds_it_until_it_settles_or_prints() -> None:
    a_run_on_a_machine(0)
    say("machine/left", started(1, unplanned=True, minutes=3))
    assert left() == ("unplanned-stop", at(3))
    say("machine/left", gap(2, 0, 0, 10))
    assert left() == ("", None)
    say("machine/left", started(3, unplanned=True, minutes=20), laid_at(4, 30))
    assert left() == ("", None)


def test_what_was_laid_before_a_stop_and_is_told_after_it_changes_nothing() -> None:
    a_run_on_a_machine(0)
    say("machine/left", started(1, unplanned=True, minutes=20), laid_at(2, 19))
    assert left() == ("unplanned-stop", at(20))


def test_a_burst_that_is_finished_after_a_person_stopped_it_changes_nothing() -> None:
    a_run_on_a_machine(0)
    say("machine/left", acted(1, "stop", minutes=20), laid_at(2, 21))
    assert left() == ("stopped", at(20))


def test_a_condition_that_stops_it_holds_it_although_it_is_cleared() -> None:
    a_run_on_a_machine(0)
    say("machine/left", conditions(1, "media-low-report", "cover-open-warning", minutes=1))
    assert left() == ("", None)
    say("machine/left", conditions(2, "media-jam-error", minutes=2), conditions(3, minutes=5))
    assert left() == ("fault", at(2))
    say("machine/left", acted(4, "resume", minutes=6))
    assert left() == ("", None)


def test_a_condition_of_a_machine_that_prints_on_unattended() -> None:
    a_run_on_a_machine(0)
    say("machine/left", conditions(1, "media-jam-error", minutes=2), conditions(2, minutes=5), laid_at(3, 6))
    assert left() == ("", None)


def test_a_machine_that_goes_on_by_itself_is_not_held_and_has_still_to_settle() -> None:
    a_run_on_a_machine(0)
    say("machine/left", started(1, unplanned=True, minutes=3, goes_on=True))
    assert left() == ("", at(3))
    say("machine/left", gap(2, 0, 0, 10))
    assert left() == ("", None)
    say("machine/left", started(3, unplanned=True, minutes=20, goes_on=True), laid_at(4, 30))
    assert left() == ("", None)
    say("machine/left", started(5, unplanned=True, minutes=40), started(6, unplanned=True, minutes=50, goes_on=True))
    assert left() == ("", at(40)), "its board may resume unattended since it began anew"
    say("machine/left", started(7, unplanned=True, minutes=60))
    assert left() == ("unplanned-stop", at(60)), "and may not any more"


def test_what_a_person_holds_does_not_go_on_by_itself() -> None:
    a_run_on_a_machine(0)
    say("machine/left", started(1, unplanned=True, minutes=3, goes_on=True), acted(2, "pause", minutes=4))
    assert left() == ("paused", at(4))
    say("machine/left", conditions(3, "media-jam-error", minutes=5), conditions(4, minutes=6, goes_on=True))
    assert left() == ("paused", at(4))


def test_what_stopped_it_is_over_and_it_goes_on_by_itself() -> None:
    a_run_on_a_machine(0)
    jam = conditions(1, "media-jam-error", minutes=2)
    say("machine/left", jam, started(2, unplanned=True, minutes=3, goes_on=True))
    assert left() == ("fault", at(2)), "it is jammed yet"
    say("machine/left", conditions(3, minutes=5, goes_on=True))
    assert left() == ("", at(2))
    say("machine/left", laid_at(4, 6), conditions(5, "media-low-report", minutes=7, goes_on=True))
    assert left() == ("", None)


def test_a_new_board_is_not_held_by_what_held_the_old_one() -> None:
    a_run_on_a_machine(0)
    say("machine/left", acted(1, "park", minutes=1), NodeEnrolled(epoch=2))
    assert left() == ("", None)


def test_a_stop_before_a_power_cut_is_still_a_stop() -> None:
    a_run_on_a_machine(0)
    say("machine/left", acted(1, "stop", minutes=1), started(2, unplanned=True, minutes=9))
    assert left() == ("stopped", at(1))


def test_conditions_and_silence_leave_what_a_person_did_alone() -> None:
    a_run_on_a_machine(0)
    say("machine/left", acted(1, "pause"), conditions(2), SilenceBegan(last_heard_at=NOW))
    assert set(Notice.objects.filter(cleared_at=None).values_list("kind", flat=True)) == {"operator-acted", "silence"}


def test_a_run_without_gaps_has_waited_for_nothing() -> None:
    say("run/spring", run())
    assert (spring().shift_s, spring().shifts, spring().again, spring().repeated) == (0.0, [], 0, 0)
