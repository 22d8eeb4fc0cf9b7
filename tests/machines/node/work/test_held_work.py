"""What the node holds to go on alone."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from machines.clock import utc
from machines.node.clock import kept_time
from machines.node.clock.samples import Sample
from machines.node.clock.server_time import ServerTime
from machines.node.store import identity, outbox
from machines.node.store.identity import Credentials
from machines.node.store.journal import Journal, change_state, open_journal
from machines.node.work import held_work as holding
from machines.node.work import offers, order_log
from machines.node.work.offers import Fetched
from machines.protocol.journal_entries import KnifeArmed
from machines.protocol.messages import NextRun, RunEnd, Work
from machines.serialization import format_instant
from tests.machines.node.relay import carriage_profile
from tests.machines.node.rig import HandClock, make_studio

CREDENTIALS = Credentials(server="http://host", token="secret", machine="m1", epoch=1)


@pytest.fixture
def journal(tmp_path: Path) -> Journal:
    return open_journal(tmp_path, create=True)


def work(only: slice = slice(None), **of_studio: object) -> Work:
    whole = make_studio(HandClock(), **of_studio).work()  # type: ignore[arg-type]
    return replace(whole, segments=whole.segments[only])


def hold(journal: Journal, work: Work, tag: str = "tag") -> None:
    with journal.transaction() as db:
        offers.hold(db, Fetched(work, tag))


def numbers(journal: Journal) -> list[int]:
    with journal.reading() as db:
        held = holding.held(db)
    return [] if held is None else [segment.number for segment in held.segments]


def test_work_is_held_as_it_was_fetched(journal: Journal) -> None:
    fetched = work()
    hold(journal, fetched, "tag-7")
    with journal.reading() as db:
        held = holding.held(db)
        assert holding.etag_held(db) == "tag-7"
        assert holding.work_held(db) == replace(fetched, segments=())
        assert holding.plates_needed(db) == set(fetched.plates)
    assert held is not None
    assert (held.run, held.policy, held.profile) == (fetched.run, fetched.policy, fetched.profile)
    assert held.segments == fetched.segments


def test_before_the_first_work_nothing_is_held(journal: Journal) -> None:
    with journal.reading() as db:
        assert holding.held(db) is None
        assert holding.work_held(db) is None
        assert holding.etag_held(db) is None
        assert holding.held_until(db) is None
        assert identity.credentials(db) is None


def test_what_stays_the_same_is_read_once(journal: Journal) -> None:
    hold(journal, work())
    with journal.reading() as db:
        first, again = holding.work_held(db), holding.work_held(db)
    assert first is again
    hold(journal, replace(work(), poll_after_s=77.0), "another")
    with journal.reading() as db:
        now = holding.work_held(db)
    assert now is not None
    assert now.poll_after_s == 77.0


def test_taking_the_same_work_again_changes_nothing_but_its_version(journal: Journal) -> None:
    hold(journal, work())
    before = numbers(journal)
    version = journal.state().work_version
    hold(journal, work())
    assert numbers(journal) == before
    assert journal.state().work_version == version + 1


def test_what_is_offered_no_more_goes(journal: Journal) -> None:
    hold(journal, work(slice(0, 10)))
    hold(journal, work(slice(5, 12)))
    assert numbers(journal) == list(range(5, 12))


def test_the_segment_under_the_head_stays(journal: Journal) -> None:
    hold(journal, work(slice(0, 10)))
    with journal.transaction() as db:
        change_state(db, run="run", next_column=50)
    hold(journal, work(slice(6, 12)))
    assert numbers(journal) == list(range(3, 12)), "with all that is to come, which this journal has not accounted for"


def test_so_does_one_that_a_burst_reaches_over_from(journal: Journal) -> None:
    hold(journal, work(slice(0, 10), profile=carriage_profile()))
    with journal.transaction() as db:
        change_state(db, run="run", next_column=30)  # of a burst that began at 16
    hold(journal, work(slice(6, 12), profile=carriage_profile()))
    assert numbers(journal) == list(range(12))
    with journal.transaction() as db:
        change_state(db, next_column=48)
    hold(journal, work(slice(6, 12), profile=carriage_profile()))
    assert numbers(journal) == list(range(2, 12)), "the burst before it began in the segment of column 32"


def test_a_server_that_does_not_know_the_run_takes_nothing_of_it_away_until_it_is_accounted_for(
    journal: Journal,
) -> None:
    hold(journal, work(slice(0, 10)))
    none = replace(work(slice(0, 0)), run=None, policy=None, plates=())
    other = work(slice(0, 2))
    assert other.run is not None
    other = replace(other, run=replace(other.run, id="next"))
    with journal.transaction() as db:
        change_state(db, run="run", next_column=50)
    for offered in (none, other):
        hold(journal, offered)
        assert numbers(journal) == list(range(10))
        with journal.reading() as db:
            assert holding.etag_held(db) is None, "it is asked for in full again"
    with journal.transaction() as db:
        change_state(db, next_column=720)
    hold(journal, other)
    assert numbers(journal) == [0, 1]


def test_another_runs_segments_go(journal: Journal) -> None:
    hold(journal, work(slice(0, 10)))
    other = work(slice(0, 2))
    assert other.run is not None
    hold(journal, replace(other, run=replace(other.run, id="next")))
    assert numbers(journal) == [0, 1]
    with journal.reading() as db:
        assert db.execute("SELECT DISTINCT run FROM segment").fetchall() == [("next",)]


def test_without_a_run_nothing_is_held(journal: Journal) -> None:
    hold(journal, work())
    hold(journal, replace(work(slice(0, 0)), run=None, policy=None, plates=()))
    assert numbers(journal) == []
    with journal.reading() as db:
        assert holding.held(db) is None
        assert holding.held_until(db) is None


def test_a_segment_planned_anew_takes_the_place_of_the_old(journal: Journal) -> None:
    first = work(slice(0, 2))
    hold(journal, first)
    later = replace(first.segments[1], plate="f" * 64)
    hold(journal, replace(first, segments=(first.segments[0], later)))
    with journal.reading() as db:
        held = holding.held(db)
    assert held is not None
    assert held.segments == (first.segments[0], later)


def test_it_knows_until_when_it_can_go_on_alone(journal: Journal) -> None:
    fetched = work(slice(0, 7))
    hold(journal, fetched)
    with journal.reading() as db:
        until = holding.held_until(db)
    assert until == fetched.as_json()["segments"][-1]["knots"][-1]


def test_credentials_are_kept_and_what_is_held_is_asked_for_anew(journal: Journal) -> None:
    hold(journal, work())
    with journal.transaction() as db:
        identity.keep_credentials(db, CREDENTIALS)
        assert identity.credentials(db) == CREDENTIALS
        assert holding.etag_held(db) is None
        assert holding.held(db) is not None


def test_work_that_was_dropped_is_not_printed_on(journal: Journal) -> None:
    hold(journal, work())
    version = journal.state().work_version
    with journal.transaction() as db:
        offers.drop_work(db)
        assert (holding.held(db), holding.work_held(db), holding.etag_held(db)) == (None, None, None)
        assert holding.plates_needed(db) == set()
    assert journal.state().work_version == version + 1


def test_the_time_is_kept_for_this_boot_only(journal: Journal) -> None:
    sample = Sample(offset_s=1.79e9, delay_s=0.1, taken_at_s=55.5)
    with journal.transaction() as db:
        assert kept_time.kept_time(db, "boot-1") is None
        time = ServerTime().after(sample).after(replace(sample, offset_s=0.0, taken_at_s=60.0))
        assert time.doubt is not None and time.doubt.since_s == 60.0
        kept_time.keep_time(db, "boot-1", time)
        assert kept_time.kept_time(db, "boot-1") == time
        assert kept_time.kept_time(db, "boot-2") is None


def ended(fetched: Work, columns: int, *, run: bool = False) -> Work:
    """Work that names the run of another as ended so many columns after its first."""
    assert fetched.run is not None
    end = RunEnd(run=fetched.run.id, end_column=fetched.run.first_column + columns)
    if run:
        segments = tuple(one for one in fetched.segments if one.end_column <= end.end_column)
        return replace(
            fetched, run=replace(fetched.run, end_column=end.end_column, revision=2), segments=segments, ended=(end,)
        )
    return replace(fetched, run=None, policy=None, segments=(), plates=(), ended=(end,))


def test_a_run_that_is_named_as_withdrawn_is_let_go(journal: Journal) -> None:
    fetched = work()
    assert fetched.run is not None
    hold(journal, fetched)
    with journal.transaction() as db:
        change_state(db, run=fetched.run.id, next_column=fetched.run.first_column)
    hold(journal, replace(ended(fetched, 0), ended=()))
    assert numbers(journal), "a server that does not know the run takes nothing away"
    hold(journal, ended(fetched, 0), "another")
    assert numbers(journal) == []
    with journal.reading() as db:
        assert holding.etag_held(db) == "another"


def test_a_run_that_is_offered_with_an_earlier_end_ends_there_though_nobody_says_that_it_was_ended(
    journal: Journal,
) -> None:
    """A server that was put back did not know it, and it was planned anew, shorter."""
    fetched = work()
    assert fetched.run is not None
    hold(journal, fetched)
    with journal.transaction() as db:
        change_state(db, run=fetched.run.id, next_column=fetched.run.first_column)
    end = fetched.segments[2].first_column
    hold(journal, replace(fetched, run=replace(fetched.run, end_column=end), segments=fetched.segments[:2]))
    assert numbers(journal) == [one.number for one in fetched.segments[:2]]


def test_what_is_in_hand_of_a_withdrawn_run_is_seen_to_first(journal: Journal) -> None:
    fetched = work()
    assert fetched.run is not None
    hold(journal, fetched)
    first = fetched.run.first_column
    with journal.transaction() as db:
        change_state(db, run=fetched.run.id, next_column=first)
        db.execute(
            "INSERT INTO burst (run, first_column, end_column, segment, place, due, ordered_at)"
            " VALUES (?, ?, ?, 0, 0, 0.0, 0.0)",
            (fetched.run.id, first, first + 1),
        )
    hold(journal, ended(fetched, 0))
    with journal.reading() as db:
        held = holding.held(db)
        assert holding.etag_held(db) is None, "it is asked for again"
    assert held is not None
    assert (held.run.id, held.run.end_column, held.segments) == (fetched.run.id, first, ())


def test_an_end_drops_what_lies_beyond_it_and_clips_the_segment_that_holds_it(journal: Journal) -> None:
    fetched = work()
    assert fetched.run is not None
    hold(journal, fetched)
    second = fetched.segments[1]
    columns = second.first_column + 1 - fetched.run.first_column
    with journal.transaction() as db:
        change_state(db, run=fetched.run.id, next_column=fetched.run.first_column)
    hold(journal, ended(fetched, columns, run=True))
    with journal.reading() as db:
        held = holding.held(db)
    assert held is not None
    assert held.run.revision == 2
    assert [one.end_column for one in held.segments] == [second.first_column, second.first_column + 1]
    clipped = held.segments[1]
    at = np.array([second.first_column, second.first_column + 1])
    assert np.allclose(clipped.instants(at), second.instants(at), atol=1e-3)
    with journal.reading() as db:
        assert holding.held_until(db) == format_instant(clipped.knots[-1]) < format_instant(second.knots[-1])


def test_older_boards_and_servers_are_not_shown_what_they_do_not_know() -> None:
    plain = work().as_json()
    assert "ended" not in plain
    assert "revision" not in plain["run"]
    said = ended(work(), 4, run=True)
    assert Work.from_json(said.as_json()) == said


def formed(fetched: Work, later: slice) -> Work:
    """The run as it was changed before it began: some of the same segments, under other numbers."""
    assert fetched.run is not None
    segments = tuple(replace(one, number=one.number + 1000) for one in fetched.segments[later])
    run = replace(fetched.run, first_column=segments[0].first_column, revision=2, formed=2)
    ended = (RunEnd(run=run.id, end_column=run.end_column, formed=2),)
    return replace(fetched, run=run, segments=segments, ended=ended)


def begun(journal: Journal, fetched: Work) -> str:
    """The run's name, of which one burst was laid."""
    assert fetched.run is not None
    first = fetched.run.first_column
    with journal.transaction() as db:
        change_state(db, run=fetched.run.id, next_column=first + 1)
        db.execute(
            "INSERT INTO burst (run, first_column, end_column, segment, place, due, ordered_at, laid_at)"
            " VALUES (?, ?, ?, 0, 0, 0.0, 0.0, 1.0)",
            (fetched.run.id, first, first + 1),
        )
    return fetched.run.id


def test_a_run_that_was_changed_before_it_began_takes_the_place_of_what_it_was(journal: Journal) -> None:
    fetched = work()
    assert fetched.run is not None
    hold(journal, fetched)
    with journal.transaction() as db:
        change_state(db, run=fetched.run.id, next_column=fetched.run.first_column)
        db.execute("INSERT INTO left_run VALUES (?, 700, NULL)", (fetched.run.id,))
    changed = formed(fetched, slice(4, 8))
    hold(journal, changed)
    assert numbers(journal) == [one.number for one in changed.segments]
    assert journal.state().run is None, "it is taken up anew"
    with journal.reading() as db:
        assert order_log.left_run(db, fetched.run.id) is None
        assert db.execute("SELECT count(*) FROM segment").fetchone() == (4,)


def test_a_run_that_was_changed_is_taken_though_what_it_was_is_finished(journal: Journal) -> None:
    fetched = work()
    assert fetched.run is not None
    hold(journal, replace(fetched, run=replace(fetched.run, id="after")))
    with journal.transaction() as db:
        change_state(db, run="after", next_column=fetched.run.end_column)
        db.execute("INSERT INTO left_run VALUES (?, ?, NULL)", (fetched.run.id, fetched.run.end_column))
        db.execute("INSERT INTO strip (run, boundary, place) VALUES (?, 0, 0)", (fetched.run.id,))
    hold(journal, fetched)
    assert journal.state().run == "after"
    with journal.reading() as db:
        assert (held := holding.work_held(db)) is not None and held.run is not None and held.run.id == "after"
    changed = formed(fetched, slice(4, 8))
    hold(journal, changed)
    assert numbers(journal) == [one.number for one in changed.segments]
    with journal.reading() as db:
        assert db.execute("SELECT count(*) FROM strip").fetchone() == (0,), "of what it was"


def test_what_was_laid_by_the_plan_before_is_told_first(journal: Journal) -> None:
    fetched = work()
    hold(journal, fetched)
    run, changed = begun(journal, fetched), formed(fetched, slice(4, 8))
    hold(journal, changed)
    assert numbers(journal) == [], "nothing more is printed of what it was"
    with journal.transaction() as db:
        assert holding.etag_held(db) is None
        assert order_log.is_cut_short(db)
        order_log.conclude(db, run, 2.0)
        assert not order_log.is_cut_short(db)
    hold(journal, changed)
    assert numbers(journal) == [], "it was told to nobody yet"
    with journal.transaction() as db:
        outbox.accept(db, 1)
    hold(journal, changed)
    assert numbers(journal) == [one.number for one in changed.segments]


def test_what_it_was_is_let_go_where_another_run_comes_before_what_it_is(journal: Journal) -> None:
    fetched = work()
    hold(journal, fetched)
    run = begun(journal, fetched)
    other = work(slice(0, 2))
    assert other.run is not None
    void = RunEnd(run=run, end_column=10**6, formed=2)
    hold(journal, replace(other, run=replace(other.run, id="next"), ended=(void,)))
    assert numbers(journal) == [0, 1]
    with journal.reading() as db:
        assert order_log.is_cut_short(db)


def before_changed(fetched: Work) -> Work:
    """Another run, and after it the one that was fetched, as it was changed."""
    changed = formed(fetched, slice(4, 8))
    assert changed.run is not None and changed.policy is not None
    then = NextRun(run=changed.run, policy=changed.policy, segments=changed.segments)
    other = replace(changed.run, id="next", formed=1, revision=1, first_column=0)
    return replace(changed, run=other, segments=fetched.segments[:2], following=then)


def test_a_changed_run_that_follows_another_waits_until_what_was_laid_of_it_before_is_told(journal: Journal) -> None:
    fetched = work()
    hold(journal, fetched)
    run, offered = begun(journal, fetched), before_changed(fetched)
    hold(journal, offered)
    with journal.transaction() as db:
        assert numbers(journal) == [0, 1], "what comes first is held at once"
        assert (holding.held_next(db), holding.etag_held(db)) == (None, None)
        db.execute("INSERT INTO left_run VALUES (?, 1, NULL)", (run,))
        change_state(db, run="next", next_column=0)
        order_log.report_printed(db, run)
    hold(journal, offered)
    with journal.transaction() as db:
        assert holding.held_next(db) is None, "it was told to nobody yet"
        outbox.accept(db, 1)
    hold(journal, offered)
    with journal.transaction() as db:
        assert (then := holding.held_next(db)) is not None and (then.run, then.revision) == (run, 2)
        outbox.append(db, KnifeArmed(seq=outbox.next_seq(db), at=utc(3.0)))
    hold(journal, offered)
    with journal.reading() as db:
        assert holding.held_next(db) == then, "what is told later is none of what it was"


def test_how_a_run_was_changed_is_shown_to_no_older_board() -> None:
    fetched = work()
    assert "formed" not in fetched.as_json()["run"]
    assert "formed" not in ended(fetched, 4, run=True).as_json()["ended"][0]
    said = formed(fetched, slice(4, 8))
    assert Work.from_json(said.as_json()) == said
