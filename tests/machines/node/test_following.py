"""A board that holds the run after the one that it prints turns to it by itself, with nobody there to tell it."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from machines.errors import InputError
from machines.node.store import outbox
from machines.node.store.identity import Credentials
from machines.node.work import held_work as holding
from machines.node.work import offers, takeover
from machines.node.work.offers import Fetched
from machines.node.work.plausibility import require_plausible
from machines.protocol.journal_entries import ColumnsPrinted, GapSettled
from machines.protocol.messages import NextRun, RunEnd, Work
from machines.recovery import LAID_BEFORE, Limit, Policy
from tests.machines.node.relay import line_profile
from tests.machines.node.rig import Crash, HandClock, Rig, make_studio
from tests.machines.node.test_forgotten import run_after

# More places where the power may go than there are in the columns around a boundary.
MOST_PLACES = 400


def followed(home: Path, *, policy: str = "skip", then: str = "skip", strips_per_turn: int = 12) -> Rig:
    """A board that was told of a run of 60 columns and of another of 60 after it, and hears nobody any more."""
    clock = HandClock()
    studio = make_studio(clock, policy=policy, columns=60, strips_per_turn=strips_per_turn)
    assert studio.run is not None
    studio.following = run_after(studio.run, 2, 60)
    studio.then_policy = Policy(kind=then)  # type: ignore[arg-type]  # one of the kinds
    node = Rig(home, studio, clock)
    node.fetch()
    return node


def laid(node: Rig) -> list[int]:
    columns: list[int] = node.paper().laid["column"].tolist()
    return columns


def offer(node: Rig, work: Work) -> None:
    with node.journal.transaction() as db:
        offers.hold(db, Fetched(work, "another"))


def of_runs(node: Rig) -> dict[str, list[int]]:
    """The columns that were told as printed, by run."""
    found: dict[str, list[int]] = {}
    for entry in node.entries(ColumnsPrinted):
        found.setdefault(entry.run, []).extend(range(entry.columns.first, entry.columns.end))
    return found


@pytest.mark.parametrize("strips_per_turn", [0, 12, 24])
def test_it_prints_on_without_a_seam_while_nobody_is_there(tmp_path: Path, strips_per_turn: int) -> None:
    node = followed(tmp_path, strips_per_turn=strips_per_turn)
    node.run_columns(40)
    machine = node.machine
    node.run_columns(81)
    assert node.machine is machine  # never parked
    assert laid(node) == list(range(120))
    assert node.entries(GapSettled) == []
    assert max(abs(entry.worst_miss_s) for entry in node.entries(ColumnsPrinted)) < 1.0
    places = node.paper().laid["place"].tolist()
    assert places == list(range(places[0], places[0] + 120))
    node.fetch()
    assert of_runs(node) == {"run": list(range(60)), "run-2": list(range(60, 120))}
    assert node.studio.accounted() == set(range(120))


def test_it_prints_it_by_the_version_of_its_machine_that_it_is_planned_by(tmp_path: Path) -> None:
    node = followed(tmp_path)
    work = node.studio.work()
    assert work.following is not None
    revised = replace(work.profile, name="Revised")
    offer(node, replace(work, following=replace(work.following, profile=revised)))
    node.run_columns(121)
    assert laid(node) == list(range(120))
    with node.journal.reading() as db:
        held = holding.work_held(db)
    assert held is not None and held.profile == revised


def test_it_says_what_it_holds_of_both(tmp_path: Path) -> None:
    node = followed(tmp_path)
    with node.journal.reading() as db:
        until, then = holding.held_until(db), holding.held_next(db)
    assert until is not None and then is not None
    assert (then.run, then.revision) == ("run-2", 1)
    assert then.until.timestamp() == pytest.approx(node.studio.instant(120))


def test_wherever_the_power_goes_at_the_boundary_no_column_is_lost_or_laid_twice(tmp_path: Path) -> None:
    for place in range(MOST_PLACES):
        node = followed(tmp_path / str(place))
        node.run_columns(58)
        node.fuse.left = place
        try:
            node.run_columns(6)
        except Crash:
            node.crash()
        else:
            assert place > 20
            return
        node.fuse.left = None
        node.start()
        node.run_columns(70)
        node.fetch()
        columns = laid(node)
        assert max(Counter(columns).values()) == 1, place
        assert columns == sorted(columns), place
        assert node.studio.accounted() == set(range(120)), place
        gaps = node.entries(GapSettled)
        left = {column for one in gaps for column in (*_span(one.decision.unknown), *_span(one.decision.skipped))}
        assert set(columns) | left == set(range(120)), place
        assert len(set(range(120)) - set(columns)) <= 3, place
    raise AssertionError("the power went everywhere")


def _span(columns: object) -> range:
    return range(columns.first, columns.end)  # type: ignore[attr-defined]  # Columns of any decision


def test_what_is_missing_on_both_sides_of_the_boundary_is_settled_by_each_runs_rule(tmp_path: Path) -> None:
    node = followed(tmp_path, policy="skip", then="replay")
    node.run_columns(51)
    node.crash()
    node.clock.at += 30 * 120.0
    node.start()
    node.run_columns(60)
    node.fetch()
    of_run = {one.run: one.decision for one in node.entries(GapSettled)}
    assert (of_run["run"].action, of_run["run-2"].action) == ("skip", "replay")
    assert set(range(60, 120)) <= set(laid(node))
    assert max(Counter(laid(node)).values()) == 1
    assert node.studio.accounted() == set(range(120))


def test_after_all_of_it_is_over_it_is_settled(tmp_path: Path) -> None:
    node = followed(tmp_path)
    node.run_columns(51)
    node.crash()
    node.clock.at += 300 * 120.0
    node.start()
    node.run_columns(5)
    node.fetch()
    assert len(laid(node)) == len(set(laid(node))) < 55
    assert node.studio.accounted() == set(range(120))


def test_it_gets_more_of_it_while_the_server_waits_for_the_run_before(tmp_path: Path) -> None:
    node = followed(tmp_path)
    whole = node.studio.work()
    assert whole.following is not None
    offer(node, replace(whole, following=replace(whole.following, segments=whole.following.segments[:2])))
    node.run_columns(65)
    offer(node, whole)
    node.run_columns(60)
    assert laid(node) == list(range(120))


@pytest.mark.parametrize(("end", "last"), [(60, 60), (75, 75)])
def test_what_people_end_or_take_back_of_it_is_let_go_of(tmp_path: Path, end: int, last: int) -> None:
    node = followed(tmp_path)
    node.run_columns(30)
    work = node.studio.work()
    assert work.following is not None
    segments = tuple(one.until(end) for one in work.following.segments if one.first_column < end)
    then = replace(work.following, run=replace(work.following.run, end_column=end), segments=segments)
    offer(node, replace(work, following=then if segments else None, ended=(RunEnd(run="run-2", end_column=end),)))
    node.run_columns(100)
    assert laid(node) == list(range(last))


@pytest.mark.parametrize(("end", "last"), [(60, 60), (75, 75)])
def test_it_is_let_go_of_where_the_rest_of_an_answer_is_not_taken(tmp_path: Path, end: int, last: int) -> None:
    node = followed(tmp_path)
    node.run_columns(30)
    nothing = replace(node.studio.work(), run=None, policy=None, segments=(), following=None)
    offer(node, replace(nothing, ended=(RunEnd(run="run-2", end_column=end),)))
    node.run_columns(100)
    assert laid(node) == list(range(last))


def test_a_server_that_knows_nothing_of_it_has_it_let_go(tmp_path: Path) -> None:
    node = followed(tmp_path)
    node.run_columns(30)
    node.studio.following = None
    node.fetch()
    node.run_columns(60)
    assert laid(node) == list(range(60))


def test_a_server_that_has_not_heard_of_the_boundary_yet_changes_nothing(tmp_path: Path) -> None:
    node = followed(tmp_path)
    early = node.studio.work()
    node.run_columns(59)
    for _ in range(8):
        node.run_until(node.clock.at + 40.0)
        offer(node, early)
    node.run_columns(60)
    assert laid(node) == list(range(120))
    assert node.entries(GapSettled) == []


WRONG: dict[str, Callable[[NextRun], NextRun]] = {
    "no segments": lambda then: replace(then, segments=()),
    "itself": lambda then: replace(then, run=replace(then.run, id="run")),
    "segments of another": lambda then: replace(then, run=replace(then.run, end_column=then.run.first_column + 3)),
    "another machine's": lambda then: replace(then, profile=line_profile(columns_per_turn=360)),
    "a turn of no length": lambda then: replace(then, run=replace(then.run, mean_turn_s=0.0)),
    "a wait of ages": lambda then: replace(
        then, policy=Policy(kind="replay-within", within=Limit(value=1e12, unit="turns"))
    ),
}


@pytest.mark.parametrize("wrong", WRONG)
def test_what_no_server_says_of_it_is_not_held(wrong: str, tmp_path: Path) -> None:
    work = followed(tmp_path).studio.work()
    assert work.following is not None
    require_plausible(work)
    with pytest.raises(InputError, match="not a server's"):
        require_plausible(replace(work, following=WRONG[wrong](work.following)))
    with pytest.raises(InputError, match="follows none"):
        require_plausible(replace(work, run=None, segments=()))


def test_a_board_of_before_is_shown_it_only_where_there_is_one(tmp_path: Path) -> None:
    work = followed(tmp_path).studio.work()
    assert "following" in work.as_json()
    assert "following" not in replace(work, following=None).as_json()
    assert Work.from_json(json.loads(json.dumps(work.as_json()))) == work


@pytest.mark.parametrize("policy", ["skip", "blank", "replay"])
@pytest.mark.parametrize("crashes", [False, True])
def test_what_lies_as_the_run_before_is_not_laid_once_more(tmp_path: Path, policy: str, crashes: bool) -> None:
    clock = HandClock()
    node = Rig(tmp_path, make_studio(clock, policy=policy, columns=60), clock)
    node.fetch()
    node.run_columns(50)
    if crashes:
        node.fuse.left = 1
        with pytest.raises(Crash):
            node.run_columns(2)
        node.crash()
        node.fuse.left = None
        node.start()
    assert node.studio.run is not None
    node.studio.run = replace(node.studio.run, id="run-2", first_column=30, end_column=90, succeeds="run")
    work = node.studio.work()
    assert work.run is not None
    ended = (RunEnd(run="run", end_column=30),)
    for _ in range(2):  # what is in hand is settled first
        offer(node, replace(work, run=replace(work.run, first_unaccounted=30), ended=ended))
        node.run_columns(1)
    node.run_columns(60)
    node.fetch()
    columns = laid(node)
    assert max(Counter(columns).values()) == 1
    assert len(columns) >= 88
    gap = next(one for one in node.entries(GapSettled) if one.run == "run-2")
    assert (gap.run, gap.gap.first, gap.policy) == ("run-2", 30, LAID_BEFORE)
    assert gap.decision.reason == "they lie on the paper as columns of run run"
    told = [column for one in node.entries(GapSettled) if one.run == "run-2" for column in _fates(one)]
    assert sorted(told + of_runs(node)["run-2"]) == list(range(30, 90))


def _fates(gap: GapSettled) -> list[int]:
    return [*_span(gap.decision.unknown), *_span(gap.decision.skipped)]


def test_a_board_that_takes_over_asks_first(tmp_path: Path) -> None:
    node = followed(tmp_path)
    node.run_columns(30)
    with node.journal.transaction() as db:
        takeover.enrol(db, Credentials(server="http://host", token="secret", machine="m1", epoch=2))
        assert holding.work_held(db) is None
        assert holding.held_next(db) is None
    node.run_columns(60)
    assert max(laid(node)) < 60


def test_a_board_that_takes_over_tells_what_it_laid_of_a_run_that_was_changed_since(tmp_path: Path) -> None:
    node = followed(tmp_path)
    node.run_columns(32)
    whole = node.studio.work()
    assert whole.run is not None
    columns = laid(node)
    with node.journal.transaction() as db:
        takeover.enrol(db, Credentials(server="http://host", token="secret", machine="m1", epoch=3))
    changed = replace(whole.run, first_column=40, revision=2, formed=2)
    segments = tuple(replace(one, number=one.number + 1000) for one in whole.segments if one.first_column >= 40)
    later = replace(whole, run=changed, segments=segments, following=None)
    offer(node, later)
    assert node.journal.state().run == "run", "it is told first"
    with node.journal.transaction() as db:
        outbox.accept(db, outbox.next_seq(db) - 1)
    offer(node, later)
    assert node.journal.state().run is None
    assert of_runs(node)["run"] == columns


@pytest.mark.parametrize("changed", [False, True])
def test_a_board_that_takes_over_a_run_that_is_void_meanwhile_goes_on_with_the_next(
    tmp_path: Path, changed: bool
) -> None:
    """It cannot know of the void run what another board may have laid, and nobody asks."""
    clock = HandClock()
    node = Rig(tmp_path, make_studio(clock), clock)
    node.fetch()
    node.run_columns(20)
    node.fuse.left = 1  # the order is committed, and nobody sees it done
    with pytest.raises(Crash):
        node.run_columns(2)
    node.fuse.left = None
    node.crash()
    node.start()
    with node.journal.transaction() as db:
        takeover.begin(db)
    columns = laid(node)
    whole = node.studio.work()
    assert whole.run is not None
    later = tuple(replace(one, number=one.number + 1000) for one in whole.segments if one.first_column >= 40)
    run = replace(whole.run, first_column=later[0].first_column, first_unaccounted=None, revision=2, formed=2)
    if not changed:
        run = replace(run, id="next", revision=1, formed=1)
    void = RunEnd(run="run", end_column=10**6, formed=2)
    work = replace(whole, run=run, segments=later, ended=(void,))
    offer(node, work)
    node.run_columns(1)
    with node.journal.transaction() as db:
        outbox.accept(db, outbox.next_seq(db) - 1)
    offer(node, work)
    node.run_columns(60)
    assert min(set(laid(node)) - set(columns)) == run.first_column
    assert of_runs(node)["run"][:20] == columns
    places = node.paper().laid["place"].tolist()
    assert places[20:22] == [21, 22], "what may lie there is not printed over"
