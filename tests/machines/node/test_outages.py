"""Outages that the node settles by every rule: what then lies on the paper, where, and when."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from machines.clock import utc
from machines.model.profile import Knife
from machines.node.work.held_work import HeldWork, held_until
from machines.protocol.journal_entries import ColumnsPrinted, GapSettled, StripCut, TrueAgain
from machines.recovery import CauseRule, Columns, Limit, Override, Policy, Rule, Span
from machines.serialization import parse_instant
from tests.machines.node.outages import OutageStudio, check_story, kept, outage_studio
from tests.machines.node.relay import carriage_profile, line_profile
from tests.machines.node.rig import Crash, HandClock, Rig

COLUMN_S = 120.0
# 720 columns in 48 segments: a segment is 15 columns. Highest rate: 60 mm/h of 0.5 mm, 4 times the sky's.
SEGMENT = 15


def rig(folder: Path, policy: Policy, *, knife_mm: float = 20.0, columns: int = 200, **fields: Any) -> Rig:
    clock = HandClock()
    profile = fields.pop("profile", None) or line_profile(knife=Knife(head_to_knife_mm=knife_mm, cuts_per_blade=100))
    studio = outage_studio(clock, policy, profile=profile, columns=columns, **fields)
    node = Rig(folder, studio, clock)
    node.fetch()
    return node


def studio_of(node: Rig) -> OutageStudio:
    assert isinstance(node.studio, OutageStudio)
    return node.studio


def lose_power(node: Rig, columns: float) -> None:
    """For so many columns of time, between two orders."""
    node.crash()
    node.clock.at += columns * COLUMN_S
    node.start()


def to_the_end(node: Rig, extra: float = 400.0) -> dict[int, str]:
    node.run_columns(int(600 + extra))
    node.fetch()
    words = check_story(node.paper(), studio_of(node), node.entries())
    assert node.studio.run is not None
    assert words.keys() == set(range(node.studio.run.first_column, node.studio.run.end_column))
    return words


def columns_on(node: Rig) -> list[int]:
    return [int(column) for column in node.paper().laid["column"]]


def places_of(node: Rig, column: int) -> list[int]:
    laid = node.paper().laid
    return [int(place) for place in laid["place"][laid["column"] == column]]


def at_instants(node: Rig, first: int, end: int, shift_s: float = 0.0) -> bool:
    """Whether columns were laid within a hundredth of a column of their instants."""
    laid = node.paper().laid
    rows = laid[(laid["column"] >= first) & (laid["column"] < end)]
    due = np.array([node.studio.instant(column) for column in rows["column"]]) + shift_s
    return len(rows) == end - first and bool((np.abs(rows["at"] - due) < 0.01 * COLUMN_S).all())


def say(node: Rig, rule: Rule, word: str = "w1", given_at: float | None = None) -> None:
    """A person says otherwise, and the node hears of it."""
    at = node.clock.at if given_at is None else given_at
    studio_of(node).override = Override(id=word, rule=rule, given_at=utc(at))
    node.fetch()


def the_only(node: Rig) -> GapSettled:
    (settled,) = node.entries(GapSettled)
    assert isinstance(settled, GapSettled)
    return settled


def test_blank_paper_is_fed_in_the_places_of_what_is_left_out(tmp_path: Path) -> None:
    node = rig(tmp_path, Policy(kind="blank"))
    node.run_columns(40)
    lose_power(node, 60)
    words = to_the_end(node)
    settled = the_only(node)
    assert settled.decision.action == "blank"
    assert {word for column, word in words.items() if 40 <= column < 100} == {"left out"}
    laid = node.paper().laid
    assert (laid["place"] == laid["column"]).all(), "length on the paper is true to time"
    assert settled.decision.paper_mm == pytest.approx(len(settled.decision.skipped) * 0.5)


def test_the_knife_cuts_in_the_places_of_strips_that_begin_on_blank_paper(tmp_path: Path) -> None:
    """A strip is 60 columns and the knife 40 columns away; the time is unknown for more than two strips."""
    node = rig(tmp_path, Policy(kind="blank"))
    with node.journal.transaction() as db:
        db.execute("UPDATE state SET arming_asked = 1")
    node.run_columns(40)
    node.time_known = False
    node.run_columns(140)
    node.time_known = True
    to_the_end(node)
    assert {(entry.boundary, entry.paper_position) for entry in node.entries(StripCut)} == {
        (0, 0),
        (60, 60),
        (120, 120),
    }
    assert all(entry.made for entry in node.entries(StripCut)), "the paper stopped under the knife at each"
    assert node.paper().cuts["place"].tolist() == [0, 60, 120]


def test_power_that_goes_while_blank_paper_is_fed_changes_nothing(tmp_path: Path) -> None:
    node = rig(tmp_path, Policy(kind="blank"), knife_mm=3.0)
    node.run_columns(40)
    lose_power(node, 100)
    while not node.entries(GapSettled):
        node.printer.step()
    assert kept(node).feed_to > node.journal.state().paper_position
    lose_power(node, 0)
    to_the_end(node)
    laid = node.paper().laid
    assert (laid["place"] == laid["column"]).all()


@pytest.mark.parametrize("kind", ["skip", "blank"])
def test_the_half_printed_segment_is_finished_before_anything_is_left_out(tmp_path: Path, kind: Any) -> None:
    node = rig(tmp_path, Policy(kind=kind, half_printed="finish"))
    node.run_columns(40)
    lose_power(node, 100)
    words = to_the_end(node)
    settled = the_only(node)
    assert settled.gap.segment == Columns(first=30, end=45)
    assert settled.decision.finished == Columns(first=settled.gap.first, end=45)
    assert settled.decision.skipped == Columns(first=45, end=settled.gap.end)
    assert [column for column, word in words.items() if word == "left out"] == [*range(45, settled.gap.end)]
    (true,) = node.entries(TrueAgain)
    assert abs(true.column - settled.decision.true_again) <= 1
    assert at_instants(node, true.column, 200)
    blank = len(settled.decision.skipped) if kind == "blank" else 0
    assert places_of(node, settled.gap.end) == [45 + blank]


def test_the_half_printed_segment_is_left_out_and_the_rest_replayed(tmp_path: Path) -> None:
    node = rig(tmp_path, Policy(kind="replay", half_printed="abandon"))
    node.run_columns(40)
    lose_power(node, 50)
    words = to_the_end(node)
    first = the_only(node).gap.first
    assert [column for column, word in words.items() if word == "left out"] == [*range(first, 45)]


def test_the_half_printed_segment_is_printed_again_from_its_beginning(tmp_path: Path) -> None:
    node = rig(tmp_path, Policy(kind="skip", half_printed="again"), strips_per_turn=48, knife_mm=5.0)
    node.run_columns(40)
    lose_power(node, 100)
    node.fetch()
    to_the_end(node)
    decision = the_only(node).decision
    end = decision.again.end
    assert decision.again.first == 30
    assert columns_on(node)[: end + 15] == [*range(end), *range(30, 45)]
    assert places_of(node, 30) == [30, end]
    boundaries = [entry.boundary for entry in node.entries(StripCut)]
    assert len(boundaries) == len(set(boundaries)), "what is printed again begins no second strip"


def test_power_that_goes_again_in_the_middle_begins_the_segment_once_more(tmp_path: Path) -> None:
    node = rig(tmp_path, Policy(kind="skip", half_printed="again"))
    node.run_columns(40)
    lose_power(node, 100)
    node.run_columns(1)
    again = node.entries(GapSettled)[0].decision.again
    assert node.journal.state().next_column in range(31, again.end)
    lose_power(node, 30)
    to_the_end(node)
    second = node.entries(GapSettled)[1]
    assert second.decision.again.first == 30
    assert second.gap.segment == Columns(first=30, end=45)
    assert len(places_of(node, 30)) == 3


def test_power_that_goes_before_anything_is_printed_again_does_not_forget_it(tmp_path: Path) -> None:
    node = rig(tmp_path, Policy(kind="skip", half_printed="again"))
    node.run_columns(40)
    lose_power(node, 100)
    while not node.entries(GapSettled):
        node.printer.step()
    lose_power(node, 30)
    to_the_end(node)
    assert len(places_of(node, 30)) == 2
    assert len(places_of(node, 44)) == 1


def test_only_the_newest_is_replayed_within_a_limit(tmp_path: Path) -> None:
    policy = Policy(kind="replay-within", within=Limit(value=1.0, unit="hours"), half_printed="finish")
    node = rig(tmp_path, policy)
    node.run_columns(40)
    lose_power(node, 100)
    words = to_the_end(node)
    settled = the_only(node)
    left_out = [column for column, word in words.items() if word == "left out"]
    assert left_out == [*range(45, settled.gap.end - 30)], "an hour is 30 columns"


def test_the_timeline_waits_and_all_that_follows_is_later(tmp_path: Path) -> None:
    node = rig(tmp_path, Policy(kind="shift"))
    node.run_columns(40)
    first = node.journal.state().next_column
    lose_power(node, 100)
    node.run_columns(60)
    node.fetch()
    settled = the_only(node)
    shift_s = settled.decision.shift_s
    assert settled.decision.action == "shift"
    assert 100 * COLUMN_S < shift_s < 102 * COLUMN_S
    assert at_instants(node, 0, first)
    assert at_instants(node, first, first + 50, shift_s)
    with node.journal.reading() as db:
        until = held_until(db)
    assert until is not None
    assert parse_instant(until).timestamp() == pytest.approx(node.studio.instant(200) + shift_s, abs=1e-5)
    # Another outage adds to it, and neither the server's word of the first nor an agent that begins anew counts twice.
    lose_power(node, 50)
    words = to_the_end(node)
    assert set(words.values()) <= {"printed", "unknown"}
    total_s = sum(entry.decision.shift_s for entry in node.entries(GapSettled))
    assert at_instants(node, node.entries(GapSettled)[1].gap.unknown_end, 200, total_s)
    assert kept(node).shift_s == pytest.approx(total_s)
    assert not node.entries(TrueAgain)


def test_bursts_keep_their_columns_when_the_timeline_waits(tmp_path: Path) -> None:
    node = rig(tmp_path, Policy(kind="shift"), profile=carriage_profile())
    node.run_columns(40)
    lose_power(node, 90)
    words = to_the_end(node)
    assert set(words.values()) == {"printed"}
    laid, shift_s = node.paper().laid, the_only(node).decision.shift_s
    rows = laid[laid["column"] >= 48]
    due = np.array([node.studio.instant(column - column % 16) for column in rows["column"]]) + shift_s
    assert (np.abs(rows["at"] - due) < 1.0).all()


def test_another_board_learns_from_the_server_how_long_the_timeline_has_waited(tmp_path: Path) -> None:
    node = rig(tmp_path / "one", Policy(kind="shift"))
    node.run_columns(40)
    lose_power(node, 100)
    node.run_columns(30)
    node.fetch()
    shift_s = kept(node).shift_s
    node.stop()
    node.fetch_last()
    studio_of(node).enrol()
    other = Rig(tmp_path / "two", node.studio, node.clock)
    other.fetch()
    begins = max(studio_of(node).accounted()) + 1
    other.run_columns(300)
    assert kept(other).shift_s == pytest.approx(shift_s)
    first = int(other.paper().laid["column"].min())
    assert begins <= first <= begins + 2
    assert at_instants(other, first, 200, shift_s)


def test_another_run_begins_without_a_wait(tmp_path: Path) -> None:
    node = rig(tmp_path, Policy(kind="shift"), columns=60)
    node.run_columns(40)
    lose_power(node, 30)
    to_the_end(node)
    assert kept(node).shift_s > 0
    assert node.studio.run is not None
    node.studio.run = type(node.studio.run)(**{**vars(node.studio.run), "id": "next"})
    node.studio.entries.clear()
    node.studio.told_before = -len(node.entries())
    node.studio.turn_zero = node.clock.at + 10.0
    with node.journal.transaction() as db:
        db.execute("UPDATE entry SET accepted = 1")
    studio_of(node).override = None
    from_now = node.clock.at
    node.fetch()
    node.run_columns(1)
    assert node.journal.state().run == "next"
    assert kept(node).shift_s == 0.0
    assert node.clock.at > from_now


def test_a_jam_and_an_empty_roll_have_rules_of_their_own(tmp_path: Path) -> None:
    exceptions = (
        CauseRule(causes=("jam",), rule=Rule(kind="replay", half_printed="again")),
        CauseRule(causes=("supplies",), rule=Rule(kind="blank")),
    )
    node = rig(tmp_path, Policy(kind="skip", by_cause=exceptions))
    for keyword in ("media-jam-error", "media-empty-error", "marker-supply-empty-error", "other-error"):
        node.run_columns(20)
        assert node.machine is not None
        node.machine.stop_with = (keyword,)
        node.run_columns(10)
        node.machine.keywords = ()
    to_the_end(node)
    found = [(entry.gap.cause, entry.decision.action) for entry in node.entries(GapSettled)]
    assert found == [("jam", "replay"), ("supplies", "blank"), ("supplies", "blank"), ("machine", "skip")]


def test_it_catches_up_only_while_the_venue_is_closed(tmp_path: Path) -> None:
    node = rig(tmp_path, Policy(kind="replay", only_while_closed=True), columns=600)
    opens, closes = node.clock.at + 140 * COLUMN_S, node.clock.at + 240 * COLUMN_S
    far = closes + 2000 * COLUMN_S
    spans = (Span(starts_at=utc(node.clock.at), ends_at=utc(opens)), Span(starts_at=utc(closes), ends_at=utc(far)))
    studio_of(node).closed = spans
    node.fetch()
    node.run_columns(40)
    lose_power(node, 96)  # until four columns before it opens
    to_the_end(node)
    settled = the_only(node)
    assert settled.decision.action == "replay"
    laid = node.paper().laid
    late_s = laid["at"] - np.array([node.studio.instant(column) for column in laid["column"]])
    open_now = (laid["at"] >= opens + 2 * COLUMN_S) & (laid["at"] < closes)
    assert open_now.sum() == pytest.approx(98, abs=2), "as many as the sky turns by"
    assert np.ptp(late_s[open_now]) < 0.2 * COLUMN_S, "no less late at the end than at the beginning"
    assert late_s[open_now].min() > 60 * COLUMN_S
    (true,) = node.entries(TrueAgain)
    assert abs(true.column - settled.decision.true_again) <= 3
    hours = (true.at - settled.at).total_seconds() / 3600.0
    assert hours == pytest.approx(settled.decision.hours_until_true, abs=3 * COLUMN_S / 3600.0)


def test_closed_hours_begin_and_end_at_their_instants() -> None:
    clock = HandClock()
    span = Span(starts_at=utc(clock.at), ends_at=utc(clock.at + 60.0))
    studio = outage_studio(clock, Policy(kind="skip"))
    assert studio.run is not None
    held = HeldWork(run=studio.run, policy=studio.policy, profile=studio.profile, segments=(), closed=(span,))
    assert [held.is_closed_at(clock.at + s) for s in (-1.0, 0.0, 59.0, 60.0)] == [False, True, True, False]


def test_without_closed_hours_it_stays_true_to_the_sky(tmp_path: Path) -> None:
    node = rig(tmp_path, Policy(kind="replay", only_while_closed=True))
    node.run_columns(40)
    lose_power(node, 50)
    to_the_end(node)
    assert the_only(node).decision.action == "skip"
    assert "closed hours" in the_only(node).decision.reason


def test_a_word_given_while_the_machine_was_away_settles_the_gap(tmp_path: Path) -> None:
    node = rig(tmp_path, Policy(kind="skip"))
    node.run_columns(40)
    node.crash()
    node.clock.at += 50 * COLUMN_S
    given_at = node.clock.at
    node.clock.at += 20 * COLUMN_S
    node.start()
    say(node, Rule(kind="replay"), given_at=given_at)
    words = to_the_end(node)
    settled = the_only(node)
    assert settled.gap.override is not None
    assert settled.gap.override.id == "w1"
    assert settled.policy == Policy(kind="skip"), "the run's own is told all the same"
    assert set(words.values()) == {"printed"}


def test_a_word_given_while_what_nobody_saw_laid_was_due_is_about_this_outage(tmp_path: Path) -> None:
    node = rig(tmp_path, Policy(kind="skip"))
    node.run_columns(40)
    node.fuse.left = 1  # the order is committed, and nobody sees it done
    with pytest.raises(Crash):
        node.run_columns(2)
    node.fuse.left = None
    node.crash()
    given_at = node.studio.instant(40) + 0.25 * COLUMN_S
    node.clock.at += 50 * COLUMN_S
    node.start()
    say(node, Rule(kind="replay"), given_at=given_at)
    to_the_end(node)
    gap = the_only(node).gap
    assert len(the_only(node).decision.unknown) == 1
    assert node.studio.instant(gap.first) <= given_at < node.studio.instant(gap.unknown_end)
    assert gap.override is not None and gap.override.id == "w1"


@pytest.mark.parametrize(("after_s", "followed"), [(0.0, "w1"), (-0.001, None)])
def test_an_outage_begins_with_the_instant_of_the_last_column_that_was_laid(
    tmp_path: Path, after_s: float, followed: str | None
) -> None:
    """A word of that very instant is about it, one of before is about another."""
    node = rig(tmp_path, Policy(kind="skip"))
    node.run_columns(40)
    node.crash()
    last = node.paper().laid["column"].tolist()[-1]
    node.clock.at += 50 * COLUMN_S
    node.start()
    say(node, Rule(kind="replay"), given_at=node.studio.instant(last) + after_s)
    to_the_end(node)
    assert the_only(node).gap.first == last + 1
    word = the_only(node).gap.override
    assert (None if word is None else word.id) == followed


def test_a_word_is_taken_once(tmp_path: Path) -> None:
    node = rig(tmp_path, Policy(kind="skip"))
    node.run_columns(40)
    node.crash()
    node.clock.at += 50 * COLUMN_S
    node.start()
    say(node, Rule(kind="replay"))
    node.run_columns(60)
    lose_power(node, 20)
    to_the_end(node)
    assert [entry.gap.override is not None for entry in node.entries(GapSettled)] == [True, False]


def test_a_word_about_an_outage_that_is_over_does_nothing(tmp_path: Path) -> None:
    node = rig(tmp_path, Policy(kind="skip"))
    node.run_columns(40)
    lose_power(node, 30)
    node.run_columns(5)
    say(node, Rule(kind="replay"))
    node.run_columns(10)
    lose_power(node, 30)
    to_the_end(node)
    assert [entry.gap.override for entry in node.entries(GapSettled)] == [None, None]


@pytest.mark.parametrize("rule", [Rule(kind="skip"), Rule(kind="blank"), Rule(kind="shift")])
def test_a_word_during_a_replay_settles_what_is_left_of_it(tmp_path: Path, rule: Rule) -> None:
    node = rig(tmp_path, Policy(kind="replay"))
    node.run_columns(40)
    lose_power(node, 100)
    node.run_columns(10)
    replayed_to = node.journal.state().next_column
    assert 70 < replayed_to < 100
    say(node, rule)
    words = to_the_end(node)
    first, second = node.entries(GapSettled)
    assert first.decision.action == "replay"
    assert second.gap.override is not None
    assert second.gap.cause == "power", "it is the same outage still"
    assert abs(second.gap.first - replayed_to) <= 1
    assert second.decision.action == rule.kind
    assert not node.entries(TrueAgain)
    if rule.kind == "shift":
        assert set(words.values()) == {"printed"}
        assert at_instants(node, second.gap.first, 200, second.decision.shift_s)
    else:
        assert at_instants(node, second.gap.end, 200)


def test_a_word_that_comes_when_a_replay_is_all_but_true_changes_nothing(tmp_path: Path) -> None:
    node = rig(tmp_path, Policy(kind="replay"), profile=carriage_profile())
    node.run_columns(40)
    lose_power(node, 30)
    while not node.entries(GapSettled):
        node.printer.step()
    while node.studio.instant(node.journal.state().next_column) < node.clock.at - 8 * COLUMN_S:
        node.clock.at += node.printer.step()
    assert node.journal.state().catching_up
    say(node, Rule(kind="blank"))
    steps = node.steps_taken
    words = to_the_end(node)
    assert node.steps_taken - steps < 2_000, "it does not take orders and give them back for ever"
    assert len(node.entries(GapSettled)) == 1
    assert len(node.entries(TrueAgain)) == 1
    assert set(words.values()) <= {"printed", "unknown"}


def test_a_word_brings_back_what_was_to_be_left_out_as_long_as_the_paper_is_not_past_it(tmp_path: Path) -> None:
    node = rig(tmp_path, Policy(kind="skip", half_printed="again"))
    node.run_columns(40)
    lose_power(node, 100)
    node.run_columns(1)
    assert kept(node).left_out is not None
    node.fetch()
    say(node, Rule(kind="replay"))
    node.run_columns(2)
    node.fetch()
    words = to_the_end(node)
    assert set(words.values()) <= {"printed", "unknown"}
    first, last = node.entries(GapSettled)
    assert (len(first.decision.skipped) > 0, len(last.decision.skipped)) == (True, 0)


def test_the_entry_tells_what_it_costs_in_ink(tmp_path: Path) -> None:
    node = rig(tmp_path, Policy(kind="replay"), profile=carriage_profile())
    node.run_columns(40)
    lose_power(node, 90)
    to_the_end(node)
    settled = the_only(node)
    missing = range(settled.gap.unknown_end, settled.gap.end)
    dots = node.studio.plate.dots[:, [column % 720 for column in missing]].sum()
    assert settled.gap.dots_per_column == pytest.approx(dots / len(missing), rel=0.1)
    assert settled.decision.ink_ml == pytest.approx(dots * 2 * 10.0e-9, rel=0.1)  # two passes of 10 pl


def test_a_run_that_ends_before_the_machine_has_caught_up_ends_the_replay(tmp_path: Path) -> None:
    node = rig(tmp_path, Policy(kind="replay"), columns=100)
    node.run_columns(40)
    lose_power(node, 50)
    words = to_the_end(node)
    assert set(words.values()) <= {"printed", "unknown"}
    settled = the_only(node)
    assert settled.decision.true_again == 100, "the sky passed the end meanwhile"
    (over,) = node.entries(TrueAgain)
    assert isinstance(over, TrueAgain)
    assert over.column == 100
    assert over.seq > max(entry.seq for entry in node.entries(ColumnsPrinted))
    assert not node.journal.state().catching_up


def test_a_run_whose_end_is_left_out_after_a_segment_that_is_finished_late_ends_the_replay(tmp_path: Path) -> None:
    node = rig(tmp_path, Policy(kind="skip", half_printed="finish"), columns=100)
    node.run_columns(40)
    lose_power(node, 59)
    words = to_the_end(node)
    settled = the_only(node)
    assert settled.decision.finished
    assert settled.decision.skipped.end >= 99
    assert words[98] == "left out"
    assert len(node.entries(TrueAgain)) == 1
    assert not node.journal.state().catching_up
