"""A board that takes a machine over never orders what another one may have laid."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import Phase, example, given, settings
from hypothesis import strategies as st

from machines.errors import InputError
from machines.model.profile import Profile
from machines.node.store import identity, outbox
from machines.node.store.identity import Credentials
from machines.node.store.journal import Journal, change_state, open_journal
from machines.node.work import held_work as holding
from machines.node.work.bursts import CannotTell
from machines.node.work.takeover import enrol, perhaps_laid_until, where_to_begin
from machines.protocol.journal_entries import Entry, GapSettled, KnifeArmed
from machines.protocol.messages import JournalPosition, Retelling
from machines.recovery import CauseRule, Columns, HalfPrinted, Override, Policy, Rule
from machines.serialization import parse_instant
from tests.machines.node.relay import carriage_profile, line_profile
from tests.machines.node.rig import NOON, Crash, HandClock, Rig, make_studio
from tests.machines.node.work.test_bursts import COLUMN_S, held
from tests.machines.protocol.test_messages import AT

CREDENTIALS = Credentials(server="http://host", token="secret", machine="m1", epoch=1)


def at(column: float) -> float:
    return NOON + column * COLUMN_S


# What enrolment makes of a journal.


@pytest.fixture
def journal(tmp_path: Path) -> Journal:
    return open_journal(tmp_path, create=True)


def enrolled(journal: Journal, epoch: int, earlier: Sequence[JournalPosition] = ()) -> None:
    with journal.transaction() as db:
        enrol(db, replace(CREDENTIALS, epoch=epoch), earlier)


def write(journal: Journal, count: int, *, accepted: int = 0) -> None:
    with journal.transaction() as db:
        for _ in range(count):
            seq = outbox.next_seq(db)
            outbox.append(db, KnifeArmed(seq=seq, at=AT + timedelta(seconds=seq)))
        outbox.accept(db, accepted)


def unaccepted(journal: Journal) -> list[tuple[int, object]]:
    with journal.reading() as db:
        return [(entry["seq"], parse_instant(entry["at"])) for entry in outbox.unaccepted(db, 100)]


def told_again(journal: Journal) -> Retelling | None:
    with journal.reading() as db:
        return outbox.retelling(db)


def test_the_machines_first_board_has_nothing_to_take_over(journal: Journal) -> None:
    enrolled(journal, 1)
    assert not journal.state().taking_over
    with journal.reading() as db:
        assert identity.credentials(db) == CREDENTIALS


def test_a_new_board_after_another_one_takes_over(journal: Journal) -> None:
    enrolled(journal, 2)
    assert journal.state().taking_over


def test_enrolled_again_right_after_itself_a_board_goes_on_and_counts_from_one(journal: Journal) -> None:
    enrolled(journal, 1)
    with journal.transaction() as db:
        change_state(db, fenced="replaced")
    write(journal, 3, accepted=2)
    enrolled(journal, 2, [JournalPosition(epoch=1, through=2, at=AT + timedelta(seconds=2))])
    state = journal.state()
    assert (state.fenced, state.taking_over) == ("", False)
    assert unaccepted(journal) == [(1, AT + timedelta(seconds=3))]


def test_entries_that_the_server_took_though_its_answer_was_lost_are_not_told_again(journal: Journal) -> None:
    enrolled(journal, 1)
    write(journal, 5, accepted=2)
    enrolled(journal, 2, [JournalPosition(epoch=1, through=4, at=AT + timedelta(seconds=4))])
    assert unaccepted(journal) == [(1, AT + timedelta(seconds=5))]
    assert told_again(journal) is None
    assert not journal.state().taking_over


@pytest.mark.parametrize("through", [4, 9])
def test_what_a_copy_told_under_its_numbers_is_not_taken_for_its_own(journal: Journal, through: int) -> None:
    enrolled(journal, 1)
    write(journal, 5, accepted=2)
    enrolled(journal, 2, [JournalPosition(epoch=1, through=through, at=AT + timedelta(days=1))])
    assert [entry_at for _, entry_at in unaccepted(journal)] == [AT + timedelta(seconds=seq) for seq in (3, 4, 5)]
    assert journal.state().taking_over


def test_a_server_rebuilt_from_an_older_export_is_told_again_what_it_lacks(journal: Journal) -> None:
    enrolled(journal, 1)
    write(journal, 7, accepted=6)
    enrolled(journal, 2, [JournalPosition(epoch=1, through=3, at=AT + timedelta(seconds=3))])
    assert unaccepted(journal) == [(number, AT + timedelta(seconds=number + 3)) for number in (1, 2, 3, 4)]
    assert told_again(journal) == Retelling(first=1, through=3), "the last was never told"
    assert not journal.state().taking_over


def test_what_was_told_in_an_earlier_epoch_is_told_again_to_a_server_that_forgot_the_epoch(journal: Journal) -> None:
    enrolled(journal, 1)
    write(journal, 4, accepted=4)
    enrolled(journal, 2, [JournalPosition(epoch=1, through=4, at=AT + timedelta(seconds=4))])
    assert unaccepted(journal) == []
    with journal.transaction() as db:
        outbox.append(db, KnifeArmed(seq=1, at=AT + timedelta(seconds=5)))
        outbox.accept(db, 1)
    enrolled(journal, 2, [JournalPosition(epoch=1, through=2, at=AT + timedelta(seconds=2))])
    assert unaccepted(journal) == [(number, AT + timedelta(seconds=number + 2)) for number in (1, 2, 3)]
    assert not journal.state().taking_over


def test_a_server_that_has_nothing_is_told_everything(journal: Journal) -> None:
    enrolled(journal, 1)
    write(journal, 3, accepted=3)
    enrolled(journal, 2)
    assert [seq for seq, _ in unaccepted(journal)] == [1, 2, 3]


def test_after_another_boards_time_it_takes_over_with_work_that_is_fetched_anew(journal: Journal) -> None:
    enrolled(journal, 1)
    enrolled(journal, 3, [JournalPosition(epoch=2, through=7, at=AT)])
    state = journal.state()
    assert state.taking_over
    with journal.reading() as db:
        assert holding.work_held(db) is None


def test_a_server_put_back_from_a_backup_is_told_all_of_this_epoch(journal: Journal) -> None:
    enrolled(journal, 3)
    with journal.transaction() as db:
        change_state(db, taking_over=0)
    write(journal, 4, accepted=4)
    enrolled(journal, 2)
    assert [seq for seq, _ in unaccepted(journal)] == [1, 2, 3, 4]
    assert not journal.state().taking_over


def test_a_folder_is_one_machines(journal: Journal) -> None:
    enrolled(journal, 1)
    with pytest.raises(InputError, match="machine m1"), journal.transaction() as db:
        enrol(db, replace(CREDENTIALS, machine="m2", epoch=5))
    with journal.reading() as db:
        assert identity.credentials(db) == CREDENTIALS


# Plain functions.


def test_it_begins_where_the_server_says_and_a_journal_of_the_run_says_more(journal: Journal) -> None:
    state = journal.state()
    told = replace(held(), run=replace(held().run, first_unaccounted=37))
    assert where_to_begin(told, state) == 37
    assert where_to_begin(held(), state) == 0, "an earlier server tells only whole segments"
    assert where_to_begin(told, replace(state, run="run", next_column=40)) == 40
    assert where_to_begin(told, replace(state, run="run", next_column=20)) == 37
    assert where_to_begin(told, replace(state, run="another", next_column=40)) == 37
    assert where_to_begin(told, replace(state, run="another"), 60) == 60, "this journal knows more of it"
    assert where_to_begin(told, replace(state, run="another"), 20) == 37


@given(first=st.integers(0, 600), now=st.floats(0.0, 700.0), remembered=st.none() | st.integers(-50, 900))
def test_nothing_that_was_due_is_thought_blank_unless_the_machine_knows(
    first: int, now: float, remembered: int | None
) -> None:
    work = held()
    end = perhaps_laid_until(work, first, remembered, at(now))
    due = [column for column in range(first, 720) if at(column) <= at(now)]
    assert end >= first
    if remembered is None:
        assert end > max(due, default=-1)
        assert end <= max(first, now + 2.5), "no more than the boards' clocks may be off"
    else:
        assert set(range(first, min(remembered, len(due)))) <= set(range(first, end))
        assert end <= max(first, remembered)


def test_a_burst_that_began_in_a_segment_that_is_accounted_for_may_be_laid_to_its_end() -> None:
    whole = held(carriage_profile())
    rest = replace(whole, segments=whole.segments[1:])
    assert rest.segments[0].first_column == 15
    assert perhaps_laid_until(rest, 15, 16, at(12.0)) == 16
    assert perhaps_laid_until(rest, 15, None, at(12.0)) == 16
    assert perhaps_laid_until(rest, 15, None, at(-3.0)) == 15
    assert perhaps_laid_until(rest, 15, None, at(20.0)) == 32


def test_where_a_segment_may_be_printed_once_more_the_machines_last_column_is_not_the_furthest() -> None:
    again = Rule(kind="skip", half_printed="again")
    by_cause = Policy(kind="skip", by_cause=(CauseRule(causes=("power",), rule=again),))
    word = Override(id="1", rule=again, given_at=AT)
    assert perhaps_laid_until(held(), 10, 20, at(50.0)) == 20
    for work in (replace(held(), policy=by_cause), replace(held(), override=word)):
        assert perhaps_laid_until(work, 10, 20, at(50.0)) > 50


@pytest.mark.parametrize("half_printed", ["as-the-rest", "again"])
def test_what_the_machine_remembers_counts_as_far_as_paper_was_fed_where_the_servers_clock_was_set_back(
    half_printed: HalfPrinted,
) -> None:
    work = replace(held(), policy=Policy(kind="skip", half_printed=half_printed))
    an_hour_ago = at(12.0 - 30.0)
    assert perhaps_laid_until(work, 10, 12, an_hour_ago, fed_columns=2) == 12
    assert perhaps_laid_until(work, 10, 12, an_hour_ago, fed_columns=1) == 10, "no paper for both: of another run"
    assert perhaps_laid_until(work, 10, 9, an_hour_ago, fed_columns=5) == 10
    assert perhaps_laid_until(work, 715, 730, an_hour_ago, fed_columns=50) == 720, "no further than the run"


def test_without_work_that_reaches_so_far_nobody_can_tell() -> None:
    work = held()
    early = replace(work, segments=work.segments[:3])
    assert perhaps_laid_until(early, 10, None, at(20.5)) > 10
    with pytest.raises(CannotTell):
        perhaps_laid_until(early, 10, None, at(300.5))


# One board after another, beside the same paper.


def beside(folder: Path, old: Rig, **changes: object) -> Rig:
    """Another board, with a journal of its own, that takes over."""
    folder.mkdir()
    (old.home / "paper").mkdir(exist_ok=True)
    (folder / "paper").symlink_to(old.home / "paper")
    new = Rig(folder, old.studio, old.clock, **changes)  # type: ignore[arg-type]
    enrolled(new.journal, old.studio.enrol())
    new.fetch()
    return new


def columns_of(entries: Sequence[Entry], part: str) -> list[int]:
    settled = [entry for entry in entries if isinstance(entry, GapSettled)]
    return [column for entry in settled for column in _range(getattr(entry.decision, part))]


def _range(columns: Columns) -> range:
    return range(columns.first, columns.end)


@settings(max_examples=12, deadline=None, phases=[Phase.explicit, Phase.reuse, Phase.generate])
@given(
    told=st.integers(0, 40),
    untold=st.integers(0, 40),
    away=st.integers(0, 60),
    carriage=st.booleans(),
    policy=st.sampled_from(["skip", "replay"]),
    remembers=st.booleans(),
)
@example(told=0, untold=0, away=0, carriage=False, policy="skip", remembers=True)
@example(told=0, untold=0, away=0, carriage=True, policy="replay", remembers=False)
@example(told=7, untold=1, away=4, carriage=True, policy="replay", remembers=True)
@example(told=7, untold=1, away=4, carriage=True, policy="skip", remembers=False)
def test_what_another_board_laid_and_could_not_tell_is_never_laid_again(
    told: int, untold: int, away: int, carriage: bool, policy: str, remembers: bool
) -> None:
    with TemporaryDirectory() as folder:
        check_takeover(Path(folder), told, untold, away, carriage, policy, remembers)


@pytest.mark.parametrize("told", [0, 7])
def test_also_where_the_servers_clock_was_set_back_since(tmp_path: Path, told: int) -> None:
    unknown = check_takeover(tmp_path, told, 5, 1, carriage=False, policy="skip", remembers=True, ahead_s=-3600.0)
    assert unknown == set(range(told + 5)), "on the paper, and of a segment that nobody had told of"


def check_takeover(
    folder: Path, told: int, untold: int, away: int, carriage: bool, policy: str, remembers: bool, ahead_s: float = 0.0
) -> set[int]:
    """Have a board take over from one that could not tell its last columns; which were named as unknown."""
    profile: Profile = carriage_profile() if carriage else line_profile()
    clock = HandClock()
    old = Rig(folder / "old", make_studio(clock, policy=policy, profile=profile), clock)
    old.fetch()
    old.run_columns(told)
    old.fetch()
    old.run_columns(untold)
    old.crash()
    laid = old.paper().laid["column"].tolist() if (old.home / "paper" / "paper.ledger").exists() else []
    clock.at += away * COLUMN_S
    new = beside(folder / "new", old, remembers_columns=remembers, server_ahead_s=ahead_s)
    new.run_columns(100)
    new.stop()
    new.fetch_last()
    paper = new.paper()
    assert len(set(paper.laid["column"].tolist())) == len(paper.laid)
    assert len(set(paper.laid["place"].tolist())) == len(paper.laid)
    assert not len(paper.refused)
    accounted = old.studio.accounted()
    assert accounted == set(range(max(accounted) + 1))
    unknown = columns_of(old.studio.entries, "unknown")
    assert set(laid) <= set(unknown) | _printed(old.studio.entries)
    if remembers:
        assert set(unknown) <= set(laid), "the machine knows better than the clock"
        assert paper.laid["place"].tolist() == list(range(len(paper.laid))), "no paper is wasted"
    return set(unknown)


def _printed(entries: Sequence[Entry]) -> set[int]:
    stretches = [entry.columns for entry in entries if not isinstance(entry, GapSettled) and hasattr(entry, "columns")]
    return {column for stretch in stretches for column in _range(stretch)}


@pytest.mark.parametrize("in_order", [True, False])
def test_a_board_that_comes_back_after_another_one_goes_on_behind_that_one(tmp_path: Path, in_order: bool) -> None:
    clock = HandClock()
    first = Rig(tmp_path / "first", make_studio(clock), clock)
    enrolled(first.journal, 1)
    first.fetch()
    first.run_columns(20)
    if in_order:
        first.stop()
        first.fetch_last()
    else:
        first.fuse.left = 1  # the order is committed, and nobody sees it done
        with pytest.raises(Crash):
            first.run_columns(2)
        first.fuse.left = None
        first.crash()
    second = beside(tmp_path / "second", first)
    second.run_columns(40)
    second.fetch()
    second.run_columns(5)
    second.crash()
    first.start()
    enrolled(first.journal, first.studio.enrol())
    first.run_columns(3)
    assert first.entries(GapSettled) == [], "without fresh work it cannot tell"
    first.fetch()
    first.run_columns(30)
    first.stop()
    first.fetch_last()
    columns = first.paper().laid["column"].tolist()
    assert columns == sorted(set(columns))
    accounted = first.studio.accounted()
    assert accounted == set(range(max(accounted) + 1))


def test_the_machines_first_board_begins_late_as_ever(tmp_path: Path) -> None:
    clock = HandClock()
    node = Rig(tmp_path, make_studio(clock), clock)
    enrolled(node.journal, 1)
    clock.at += 30 * COLUMN_S
    node.fetch()
    node.run_columns(3)
    (settled,) = node.entries(GapSettled)
    assert (settled.gap.cause, len(settled.decision.unknown), settled.decision.skipped.first) == ("late-start", 0, 0)
