"""What the page says of the machine."""

from __future__ import annotations

from pathlib import Path

import pytest

from machines.model.profile import CarriageHead
from machines.node.clock.server_time import Estimate
from machines.node.manual import job
from machines.node.panel.pages import why_not
from machines.node.panel.panel_state import gather
from machines.node.store import operator_actions
from machines.node.store.journal import change_state
from machines.operator.conditions import GLOSS, gloss
from machines.operator.durations import duration
from machines.operator.labels import ARM
from machines.protocol.journal_entries import Action
from machines.protocol.messages import Whereabouts
from tests.machines.node.relay import carriage_profile, line_profile
from tests.machines.node.rig import HandClock, Rig, make_studio


def printing(home: Path, columns: int = 30, **of_studio: object) -> Rig:
    clock = HandClock()
    node = Rig(home, make_studio(clock, **of_studio), clock)  # type: ignore[arg-type]
    node.fetch()
    node.run_columns(columns)
    return node


def lines(node: Rig, error_s: float = 0.05) -> dict[str, str]:
    return dict(gather(node.journal, Estimate(now=node.clock.at, error_s=error_s)).lines)


def act(node: Rig, action: Action) -> None:
    with node.journal.transaction() as db:
        operator_actions.act(db, action)


def test_it_says_what_is_printed_and_where_that_is_in_the_turn(tmp_path: Path) -> None:
    """720 columns a turn, the first of them 700: after 30 it is column 10 of its second turn."""
    node = printing(tmp_path, first_column=700)
    assert lines(node)["Now"] == "printing run run"
    assert lines(node)["In the turn"] == "turn 2 of 2, column 10 of 720, 1.4%"
    assert gather(node.journal, None).percent_of_turn == pytest.approx(100 * 10 / 720)


def test_it_says_the_time_and_how_sure_that_is(tmp_path: Path) -> None:
    node = printing(tmp_path)
    assert lines(node)["Time"] == "2026-09-21 15:13:20 UTC, to within 0.05 s"
    doubted = Estimate(now=node.clock.at, error_s=61.0, rival_now=node.clock.at + 60.9)
    assert dict(gather(node.journal, doubted).lines)["Time"].endswith(
        "to within 61 s, in doubt: a clock stepped; nothing is printed until it is known to within 60 s"
    )
    assert "not known" in dict(gather(node.journal, None).lines)["Time"]


def test_times_are_by_the_clock_of_the_venue_where_the_server_told_it(tmp_path: Path) -> None:
    """St. John's is half an hour off, and in summer time on that day: zone database of IANA."""
    clock = HandClock()
    studio = make_studio(clock)
    studio.stands = Whereabouts(machine="Swift", venue="The Fog Loft", zone="America/St_Johns")
    node = Rig(tmp_path, studio, clock)
    node.fetch()
    node.run_columns(30)
    assert lines(node)["Time"] == "2026-09-21 12:43:20 UTC−2:30, to within 0.05 s"
    assert lines(node)["Work held until"] == "2026-09-22 11:44 UTC−2:30"
    assert gather(node.journal, None).stands == studio.stands


def test_of_a_zone_that_the_board_does_not_know_it_says_utc(tmp_path: Path) -> None:
    clock = HandClock()
    studio = make_studio(clock)
    studio.stands = Whereabouts(machine="Swift", venue="The Fog Loft", zone="Mars/Olympus")
    node = Rig(tmp_path, studio, clock)
    node.fetch()
    assert lines(node)["Time"].endswith("UTC, to within 0.05 s")


def test_it_says_when_the_next_cut_comes(tmp_path: Path) -> None:
    """A strip is 60 columns, from head to knife are 40: the boundary at 0 comes after 40, that at 60 after 100."""
    node = printing(tmp_path)
    assert (
        lines(node)["Next cut"] == "in about 20 min, after 10 columns; the knife is disarmed, so it will be left uncut"
    )
    node.run_columns(20)
    assert lines(node)["Next cut"].startswith("in about 1 h 40 min, after 50 columns")
    with node.journal.transaction() as db:
        change_state(db, knife_armed=1)
    assert "disarmed" not in lines(node)["Next cut"]
    assert lines(printing(tmp_path / "b", profile=line_profile(knife=None)))["Next cut"] == "no knife"


def test_it_counts_the_paper_from_the_roll_and_the_cuts_from_the_blade(tmp_path: Path) -> None:
    """A roll of 30 m; a column is half a millimetre and two minutes."""
    node = printing(tmp_path, columns=100)
    assert lines(node)["Paper left"] == f"29.95 m by count, about {duration(59_900 * 120)}"
    act(node, "park")
    act(node, "roll-changed")
    assert lines(node)["Paper left"].startswith("30.00 m")
    with node.journal.transaction() as db:
        change_state(db, blade_cuts=999, roll_place=-100_000)
    assert lines(node)["Blade"] == "disarmed; 1 cut left by count"
    assert "look at the roll" in lines(node)["Paper left"]


def test_ink_is_counted_and_where_nobody_said_how_much_there_is_only_what_was_used(tmp_path: Path) -> None:
    head = CarriageHead(nozzles=12, passes=2, drop_pl=1e6, cartridge_ml=5.0)
    node = printing(tmp_path / "a", profile=carriage_profile(head=head))
    used_ml = int(node.paper().dots.sum()) * 2 * 1e6 * 1e-9
    assert lines(node)["Ink left"] == f"{5.0 - used_ml:.2f} ml by count"
    with node.journal.transaction() as db:
        change_state(db, drops=10_000)
    assert lines(node)["Ink left"].startswith("by count none: look at the print")
    said = lines(printing(tmp_path / "b", profile=carriage_profile()))["Ink left"]
    assert "ml used by count since the cartridge was changed" in said
    assert lines(printing(tmp_path / "c"))["Ink left"] == "none is used"


def test_a_blade_that_is_worn_by_count_is_said_to_be(tmp_path: Path) -> None:
    node = printing(tmp_path)
    with node.journal.transaction() as db:
        change_state(db, blade_cuts=1000)
    assert "by count it is dull" in lines(node)["Blade"]


def test_what_is_done_by_hand_is_said_while_it_lasts(tmp_path: Path) -> None:
    node = printing(tmp_path)
    facts = gather(node.journal, None)
    assert all("pause it first" in problem for problem in facts.hand_problems.values())
    act(node, "pause")
    node.run_columns(1)
    facts = gather(node.journal, None)
    assert facts.hand_problems == {
        "feed": "",
        "cut": "the knife is disarmed: arm it first, with all hands clear",
        "test-pattern": "",
        "place-set": "",
    }
    assert [*facts.patterns] == ["nozzles", "feed-ruler", "tone-wedge"], "those that are cut want an armed knife"
    with node.journal.transaction() as db:
        job.ask(db, "feed")
        change_state(db, knife_armed=1)
    assert lines(node)["Now"].startswith("feeding paper by hand")
    assert "under way" in gather(node.journal, None).hand_problems["cut"]
    node.run_columns(1)
    assert len(gather(node.journal, None).patterns) == 5


def test_a_time_that_a_person_set_is_said_to_be_one(tmp_path: Path) -> None:
    node = printing(tmp_path)
    estimate = Estimate(now=node.clock.at, error_s=70.0, by_hand=True)
    facts = gather(node.journal, estimate)
    said = dict(facts.lines)["Time"]
    assert "to within 70 s, as a person set it; nothing is printed until it is known to within 60 s" in said
    assert facts.time_problem == ""
    assert "as a person" not in lines(node)["Time"]
    assert gather(node.journal, Estimate(now=node.clock.at, error_s=0.1)).time_problem
    assert gather(node.journal, Estimate(now=node.clock.at, error_s=9.0, rival_now=node.clock.at)).time_problem == ""
    assert gather(node.journal, None).time_problem == ""


def test_it_says_what_holds_the_machine(tmp_path: Path) -> None:
    node = printing(tmp_path)
    act(node, "stop")
    assert "until released" in lines(node)["Now"]


def test_before_the_first_work_it_says_that_nothing_is_known(tmp_path: Path) -> None:
    clock = HandClock()
    node = Rig(tmp_path, make_studio(clock), clock)
    said = lines(node)
    assert said["Now"] == said["In the turn"] == "no run"
    assert said["Next cut"] == "none"
    assert "not known" in said["Paper left"]
    assert not gather(node.journal, None).has_knife


def test_at_the_end_of_a_run_and_fenced_off_it_says_so(tmp_path: Path) -> None:
    node = printing(tmp_path, columns=30, first_column=0)
    with node.journal.transaction() as db:
        change_state(db, next_column=720, fenced="replaced")
    assert lines(node)["Now"] == "run run is at its end"
    assert lines(node)["Fenced off"] == "replaced"


@pytest.mark.parametrize("suffix", ["", "-report", "-warning", "-error"])
@pytest.mark.parametrize("keyword", GLOSS)
def test_a_keyword_is_explained_whatever_its_suffix(keyword: str, suffix: str) -> None:
    assert gloss(keyword + suffix) == GLOSS[keyword]
    assert gloss("unheard-of-error") == "ring the studio"


@pytest.mark.parametrize(
    ("seconds", "said"), [(0, "0 min"), (3599, "1 h 0 min"), (90_000, "1 d 1 h"), (59_900 * 120, "83 d 4 h")]
)
def test_durations_are_said_in_words(seconds: float, said: str) -> None:
    assert duration(seconds) == said


def test_a_knife_that_is_still_to_be_disarmed_is_not_said_to_be_armed_for_good(tmp_path: Path) -> None:
    node = printing(tmp_path)
    with node.journal.transaction() as db:
        change_state(db, knife_armed=1)
    assert why_not(ARM, gather(node.journal, None)) == "it is armed"
    with node.journal.transaction() as db:
        operator_actions.act(db, "pause")
    assert "it is still coming to rest: look again" in why_not(ARM, gather(node.journal, None))
