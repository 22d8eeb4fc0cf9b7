"""A person may say whatever can be said of an outage, and nothing that their run cannot have."""

from __future__ import annotations

from dataclasses import replace

from tests.faults.drawn_words import with_word
from tests.faults.kinds import WORDS
from tests.faults.options import PERIOD, POLICIES, SHIFTS
from tests.faults.scenario import draw

DRAWN = [with_word(draw(seed)) for seed in range(1, 3001)]


def test_every_rule_is_said_and_by_half_of_all_who_say_something() -> None:
    speak = [one for one in DRAWN if one.kinds & set(WORDS)]
    said = [one.word for one in speak if one.word]
    assert set(said) == set(POLICIES) - {"by-cause"}
    assert 0.45 < len(said) / len(speak) < 0.55
    assert {one.word for one in DRAWN if not one.kinds & set(WORDS)} == {""}


def test_nothing_is_said_that_the_run_cannot_have() -> None:
    assert {one.cycle for one in DRAWN if one.word in SHIFTS} == {PERIOD}
    assert {one.policy for one in DRAWN if one.word == "closed"} == {"closed"}, "else nobody knows its venue's hours"


def test_what_a_seed_stood_for_before_it_still_does() -> None:
    for scenario in DRAWN[:500]:
        assert replace(scenario, word="") == draw(scenario.seed)
        assert scenario == with_word(draw(scenario.seed))
