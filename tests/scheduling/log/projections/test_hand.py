"""What a person did at the machine beside every run: fed, cut, printed a test pattern, set the time."""

from __future__ import annotations

import pytest

from scheduling.log.models import Event, HandUse, Machine, Notice, SupplyChange
from tests.scheduling.log.facts import NOW, SetTimeCompared, a_run_on_a_machine, acted, at, printed, say

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def a_machine() -> None:
    a_run_on_a_machine(0)


def left() -> Machine:
    return Machine.objects.get(id="left")


def open_words() -> list[str]:
    return list(Notice.objects.filter(cleared_at=None).values_list("said", flat=True))


def test_paper_that_was_fed_by_hand_is_gone() -> None:
    say("machine/left", printed(1, 0, 30), acted(2, "pause"))
    say("machine/left", acted(3, "feed", 31, paper_position=30, paper_columns=25))
    assert left().paper_position == 55
    assert left().accepted_through == 3
    say("machine/left", acted(4, "test-pattern", 32, pattern="nozzles", paper_position=60, paper_columns=64))
    assert left().paper_position == 124
    say("machine/left", printed(5, 30, 40, paper_position=124))
    assert left().paper_position == 134
    fed, pattern = HandUse.objects.order_by("version")
    assert (fed.action, fed.paper_position, fed.paper_columns, fed.at) == ("feed", 30, 25, at(31))
    assert (pattern.pattern, pattern.seen_done) == ("nozzles", True)


def test_a_cut_by_hand_takes_no_paper() -> None:
    say("machine/left", printed(1, 0, 30), acted(2, "cut", paper_position=-15), acted(3, "pause"))
    assert left().paper_position == 30
    assert [(use.action, use.paper_position) for use in HandUse.objects.all()] == [("cut", -15)]


def test_what_was_not_seen_done_took_its_paper_all_the_same() -> None:
    say("machine/left", acted(1, "feed", paper_position=0, paper_columns=25, seen_done=False))
    assert left().paper_position == 25
    assert not HandUse.objects.get().seen_done
    assert "nobody saw all of it done" in Notice.objects.get().said


def test_a_place_that_a_person_set_passes_over_the_paper_before_it() -> None:
    say("machine/left", printed(1, 0, 30), acted(2, "place-set", paper_position=30, paper_columns=4))
    assert left().paper_position == 34
    assert "told the machine where it stands" in Notice.objects.get().said


def test_what_is_done_while_it_is_held_does_not_say_that_it_is_not_held() -> None:
    say("machine/left", acted(1, "pause"))
    say("machine/left", acted(2, "feed", paper_position=0, paper_columns=5), acted(3, "cut", paper_position=1))
    say("machine/left", acted(4, "set-time", error_s=60.0))
    assert left().hold == "paused"
    assert open_words() == ["a person paused it; it waits to be resumed there"]
    say("machine/left", acted(5, "resume"))
    assert open_words() == []


def test_the_sign_of_a_roll_changed_uses_no_paper() -> None:
    say("machine/left", acted(1, "roll-changed"))
    assert not HandUse.objects.exists()


def test_what_was_said_of_a_part_by_mistake_counts_no_more_and_both_are_told() -> None:
    say("machine/left", acted(1, "blade-changed", 1), acted(2, "roll-changed", 2), acted(3, "roll-changed", 3))
    say("machine/left", acted(4, "roll-not-changed", 4))
    assert [(one.part, one.at) for one in SupplyChange.objects.order_by("version")] == [
        ("blade", at(1)),
        ("roll", at(2)),
    ]
    assert Notice.objects.order_by("raised_at").last().said == (  # type: ignore[union-attr]
        "a person took back that the roll was changed, which had been said by mistake"
    )
    assert Event.objects.filter(kind="operator-acted").count() == 4, "nothing is erased"
    say("machine/left", acted(5, "roll-not-changed", 5), acted(6, "roll-not-changed", 6))
    assert [one.part for one in SupplyChange.objects.all()] == ["blade"]
    assert left().accepted_through == 6 and open_words() == []


@pytest.mark.parametrize(("ahead_s", "how"), [(75.5, "75.5 s ahead"), (-61.0, "61.0 s behind")])
def test_a_time_set_further_off_than_was_said_is_a_notice(ahead_s: float, how: str) -> None:
    say("machine/left", SetTimeCompared(seq=1, at=NOW, ahead_s=ahead_s, error_s=60.0))
    notice = Notice.objects.get()
    assert how in notice.said
    assert "more than the 60 s that were stated" in notice.said
    assert left().accepted_through == 1


def test_a_time_set_as_well_as_was_said_is_none() -> None:
    say("machine/left", SetTimeCompared(seq=1, at=NOW, ahead_s=-59.0, error_s=60.0))
    assert not Notice.objects.exists()
    assert left().accepted_through == 1
