"""Paper that slipped, as its machine's notices tell it: one for as long as it is out of place."""

from __future__ import annotations

import pytest

from scheduling.log.models import Machine, Notice
from tests.scheduling.log.facts import a_run_on_a_machine, at, conditions, corrected, say, slipped

pytestmark = pytest.mark.django_db


def slips() -> list[Notice]:
    return list(Notice.objects.filter(kind="feed-slip").order_by("raised_at"))


def test_it_says_how_far_in_words_that_people_count_by() -> None:
    a_run_on_a_machine(0)
    say("machine/left", slipped(1, -0.6))
    (notice,) = slips()
    assert notice.said.startswith("the paper is 0.60 mm behind (86 s, 0.36 degrees); ")
    assert "printed ruler" in notice.said
    assert (notice.raised_at, notice.cleared_at) == (at(25), None)


def test_while_it_stands_the_newest_measurement_is_told() -> None:
    a_run_on_a_machine(0)
    say("machine/left", slipped(1, -0.6), slipped(2, -1.2, column=50))
    (notice,) = slips()
    assert "1.20 mm behind" in notice.said
    assert notice.raised_at == at(25)


def test_corrected_it_is_over_and_the_next_is_another() -> None:
    a_run_on_a_machine(0)
    say("machine/left", slipped(1, -0.6), corrected(2), slipped(3, 0.7, column=90))
    first, second = slips()
    assert first.cleared_at == at(80)
    assert second.cleared_at is None
    assert "0.70 mm ahead" in second.said


def test_a_correction_of_what_was_never_out_of_place_is_no_notice() -> None:
    a_run_on_a_machine(0)
    say("machine/left", corrected(1))
    assert slips() == []


def test_the_machines_own_conditions_do_not_clear_it() -> None:
    a_run_on_a_machine(0)
    say("machine/left", slipped(1, -0.6), conditions(2, "media-low"), conditions(3))
    (notice,) = slips()
    assert notice.cleared_at is None


def test_both_move_the_end_of_the_journal_on() -> None:
    a_run_on_a_machine(0)
    say("machine/left", slipped(1, -0.6), corrected(2))
    assert Machine.objects.get(id="left").accepted_through == 2
