"""Instants, places and phases in words."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any, get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from machines.operator.holds import AT_MACHINE, HELD_AFTER, HOLD_WORDS, Holding
from machines.recovery import HalfPrinted, Policy, RuleKind
from machines.serialization import structure
from scheduling.log.projections.machines import STOPPED_BY_ITSELF
from server.console import formatting


def plain(text: str) -> str:
    return text.replace(formatting.NO_BREAK, " ")


@pytest.mark.parametrize(
    ("ml", "said"),
    [(0.0, "0 ml"), (9.15e-5, "less than 0.001 ml"), (0.001, "0.001 ml"), (12.345, "12.3 ml"), (1234.5, "1234 ml")],
)
def test_how_much_ink(ml: float, said: str) -> None:
    assert plain(formatting.ink(ml)) == said


@pytest.mark.parametrize(("number", "said"), [(0, "0 columns"), (1, "1 column"), (2, "2 columns")])
def test_how_many_columns(number: int, said: str) -> None:
    assert formatting.columns(number) == said


@pytest.mark.parametrize(
    ("span", "said"),
    [
        (timedelta(), "0 s"),
        (timedelta(seconds=59), "59 s"),
        (timedelta(seconds=-90), "1 min"),
        (timedelta(hours=2, minutes=10), "2 h 10 min"),
        (timedelta(hours=3), "3 h"),
        (timedelta(days=1, hours=7, minutes=59), "1 d 7 h"),
        (timedelta(days=2), "2 d"),
        (timedelta(seconds=59.6), "1 min"),
    ],
)
def test_a_duration(span: timedelta, said: str) -> None:
    assert plain(formatting.duration(span)) == said


@given(st.timedeltas(min_value=timedelta(days=-4000), max_value=timedelta(days=4000)))
def test_every_duration_has_a_number_and_a_unit(span: timedelta) -> None:
    parts = plain(formatting.duration(span)).split()
    assert len(parts) in (2, 4)
    assert all(number.isdigit() for number in parts[::2])


@pytest.mark.parametrize(
    ("degrees", "said"),
    [(0.0, "0.0°"), (-52.7, "52.7° W"), (9.14, "9.1° E"), (180.0, "180.0°"), (-180.0, "180.0°"), (-0.04, "0.0°")],
)
def test_a_longitude(degrees: float, said: str) -> None:
    assert plain(formatting.longitude(degrees)) == said


@pytest.mark.parametrize(
    ("cycle", "phase", "said"),
    [
        ("apparent-solar-day", 0.5, "the Sun over 0.0°"),
        ("apparent-solar-day", 0.25, "the Sun over 90.0° E"),
        ("mean-solar-day", 0.75, "the mean Sun over 90.0° W"),
        ("lunar-day", 0.0, "the Moon over 180.0°"),
        ("sidereal-day", 0.5, "Greenwich sidereal time 12 h 00 min"),
        ("tropical-year", 0.25, "25.0 % of the turn"),
    ],
)
def test_what_a_phase_means(cycle: str, phase: float, said: str) -> None:
    assert plain(formatting.under_the_head(cycle, phase)) == said


AT = datetime(2026, 3, 20, 6, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("zone", "time", "date", "offset"),
    [
        ("America/St_Johns", "03:30", "Fri 20 Mar 2026", "UTC−2:30"),
        ("Europe/Lisbon", "06:00", "Fri 20 Mar 2026", "UTC+0"),
        ("Pacific/Chatham", "19:45", "Fri 20 Mar 2026", "UTC+13:45"),
    ],
)
def test_an_instant_by_the_clock_of_a_zone(zone: str, time: str, date: str, offset: str) -> None:
    assert formatting.clock_time(AT, zone) == time
    assert formatting.date(AT, zone) == date
    assert formatting.offset(AT, zone) == offset


def test_a_time_of_day_that_comes_twice_says_which() -> None:
    """In Lisbon the clock goes back an hour at 01:00 UTC (IANA time zone database, Europe/Lisbon)."""
    twice = [datetime(2026, 10, 25, hour, 30, tzinfo=UTC) for hour in (0, 1)]
    assert [formatting.clock_time(at, "Europe/Lisbon") for at in twice] == ["01:30 WEST", "01:30 WET"]
    assert formatting.moment(twice[0], "Europe/Lisbon") == "01:30 WEST on Sun 25 Oct 2026"


@pytest.mark.parametrize(
    ("said", "spoken"),
    [
        ({"civil": "2026-10-25T01:30:00", "zone": "Europe/Lisbon"}, "2026-10-25 01:30 by the clock of Europe/Lisbon"),
        (
            {"civil": "2026-10-25T01:00", "zone": "Europe/Lisbon", "which": "later"},
            "2026-10-25 01:00 by the clock of Europe/Lisbon, the later of two",
        ),
        ({"event": "sunset", "date": "2026-06-21"}, "at sunset"),
        ({"event": "sunset", "date": "2026-06-21", "offset": "-PT40M"}, "40 min before sunset"),
        ({"event": "civil-dusk", "date": "2026-06-21", "offset": "PT1H30M"}, "1 h 30 min after civil dusk"),
        ({"event": "sunset", "date": "2026-06-21", "offset": "PT0S"}, "at sunset"),
    ],
)
def test_how_an_instant_was_named(said: dict[str, str], spoken: str) -> None:
    assert plain(formatting.anchor(said)) == spoken


@pytest.mark.parametrize(
    ("said", "words_"),
    [
        ({"kind": "skip"}, "leave out what was missed"),
        (
            {"kind": "replay-within", "within": {"value": 6, "unit": "hours"}, "only_while_closed": True},
            "print late the newest 6 hours of it, only while the venue is closed",
        ),
        (
            {"kind": "blank", "half_printed": "finish"},
            f"{formatting.RULE_WORDS['blank']}, finish a half-printed segment",
        ),
        (
            {
                "kind": "replay",
                "by_cause": [
                    {"causes": ["jam", "supplies"], "rule": {"kind": "skip", "half_printed": "again"}},
                    {"causes": ["service"], "rule": {"kind": "shift"}},
                ],
            },
            "print it late; after a jam or a want of supplies: leave out what was missed, print a half-printed segment "
            "again; after a service: let the timeline wait",
        ),
    ],
)
def test_a_policy_in_words(said: dict[str, Any], words_: str) -> None:
    assert formatting.policy(structure(said, Policy)) == words_


def test_whatever_holds_a_machine_every_reader_is_told() -> None:
    holds = {*HELD_AFTER.values(), *STOPPED_BY_ITSELF} - {""}
    assert set(HOLD_WORDS) == holds
    assert set(AT_MACHINE) == {"", *get_args(Holding)}


def test_every_kind_has_words() -> None:
    assert set(formatting.RULE_WORDS) == set(get_args(RuleKind))
    assert set(formatting.HALF_PRINTED_WORDS) == set(get_args(HalfPrinted))


@pytest.mark.parametrize(
    ("number", "said"),
    [(360.0, "360"), (361.5, "360"), (99.6, "100"), (5.83, "5.8"), (0.0314, "0.031"), (1e6, "1000000"), (0.0, "0")],
)
def test_a_measure_has_two_digits_that_count_and_no_exponent(number: float, said: str) -> None:
    assert formatting.two_digits(number) == said
