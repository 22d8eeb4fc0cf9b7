"""Rules of recurrence against the worked examples of RFC 5545, section 3.8.5.3, and what of them is refused.

What goes on for ever there is ended here after as many as the examples list.
"""

from __future__ import annotations

from datetime import date, datetime
from zoneinfo import ZoneInfo

import pytest

from machines.errors import InputError
from scheduling.planning.recurrence import LONGEST_RULE, check_dates_off, dates_of, later_by

NEW_YORK = ZoneInfo("America/New_York")

# The first, the rule, and the dates, whose years and months are said once.
EXAMPLES = {
    "daily for 10": ("1997-09-02", "FREQ=DAILY;COUNT=10", "1997-09: 2 3 4 5 6 7 8 9 10 11"),
    "every other day": ("1997-09-02", "FREQ=DAILY;INTERVAL=2;COUNT=6", "1997-09: 2 4 6 8 10 12"),
    "every 10 days for 5": ("1997-09-02", "FREQ=DAILY;INTERVAL=10;COUNT=5", "1997-09: 2 12 22; 1997-10: 2 12"),
    "weekly for 10, across the end of summer time": (
        "1997-09-02",
        "FREQ=WEEKLY;COUNT=10",
        "1997-09: 2 9 16 23 30; 1997-10: 7 14 21 28; 1997-11: 4",
    ),
    "every other week": (
        "1997-09-02",
        "FREQ=WEEKLY;INTERVAL=2;WKST=SU;COUNT=13",
        "1997-09: 2 16 30; 1997-10: 14 28; 1997-11: 11 25; 1997-12: 9 23; 1998-01: 6 20; 1998-02: 3 17",
    ),
    "Tuesday and Thursday for five weeks": (
        "1997-09-02",
        "FREQ=WEEKLY;UNTIL=19971007T000000Z;WKST=SU;BYDAY=TU,TH",
        "1997-09: 2 4 9 11 16 18 23 25 30; 1997-10: 2",
    ),
    "every other week on three days until Christmas Eve": (
        "1997-09-01",
        "FREQ=WEEKLY;INTERVAL=2;UNTIL=19971224T000000Z;WKST=SU;BYDAY=MO,WE,FR",
        "1997-09: 1 3 5 15 17 19 29; 1997-10: 1 3 13 15 17 27 29 31; 1997-11: 10 12 14 24 26 28; 1997-12: 8 10 12 22",
    ),
    "every other week, Tuesday and Thursday, for 8": (
        "1997-09-02",
        "FREQ=WEEKLY;INTERVAL=2;COUNT=8;WKST=SU;BYDAY=TU,TH",
        "1997-09: 2 4 16 18 30; 1997-10: 2 14 16",
    ),
    "first Friday for 10": (
        "1997-09-05",
        "FREQ=MONTHLY;COUNT=10;BYDAY=1FR",
        "1997-09: 5; 1997-10: 3; 1997-11: 7; 1997-12: 5; 1998-01: 2; 1998-02: 6; 1998-03: 6; 1998-04: 3; 1998-05: 1;"
        "1998-06: 5",
    ),
    "every other month on the first and last Sunday": (
        "1997-09-07",
        "FREQ=MONTHLY;INTERVAL=2;COUNT=10;BYDAY=1SU,-1SU",
        "1997-09: 7 28; 1997-11: 2 30; 1998-01: 4 25; 1998-03: 1 29; 1998-05: 3 31",
    ),
    "second-to-last Monday for 6": (
        "1997-09-22",
        "FREQ=MONTHLY;COUNT=6;BYDAY=-2MO",
        "1997-09: 22; 1997-10: 20; 1997-11: 17; 1997-12: 22; 1998-01: 19; 1998-02: 16",
    ),
    "third-to-last day of the month": (
        "1997-09-28",
        "FREQ=MONTHLY;BYMONTHDAY=-3;COUNT=6",
        "1997-09: 28; 1997-10: 29; 1997-11: 28; 1997-12: 29; 1998-01: 29; 1998-02: 26",
    ),
    "first and last day of the month for 10": (
        "1997-09-30",
        "FREQ=MONTHLY;COUNT=10;BYMONTHDAY=1,-1",
        "1997-09: 30; 1997-10: 1 31; 1997-11: 1 30; 1997-12: 1 31; 1998-01: 1 31; 1998-02: 1",
    ),
    "every 18 months on the 10th to the 15th": (
        "1997-09-10",
        "FREQ=MONTHLY;INTERVAL=18;COUNT=10;BYMONTHDAY=10,11,12,13,14,15",
        "1997-09: 10 11 12 13 14 15; 1999-03: 10 11 12 13",
    ),
    "yearly in June and July": (
        "1997-06-10",
        "FREQ=YEARLY;COUNT=4;BYMONTH=6,7",
        "1997-06: 10; 1997-07: 10; 1998-06: 10; 1998-07: 10",
    ),
    "every third year on its 1st, 100th and 200th day": (
        "1997-01-01",
        "FREQ=YEARLY;INTERVAL=3;COUNT=10;BYYEARDAY=1,100,200",
        "1997-01: 1; 1997-04: 10; 1997-07: 19; 2000-01: 1; 2000-04: 9; 2000-07: 18; 2003-01: 1; 2003-04: 10;"
        "2003-07: 19; 2006-01: 1",
    ),
    "20th Monday of the year": (
        "1997-05-19",
        "FREQ=YEARLY;BYDAY=20MO;COUNT=3",
        "1997-05: 19; 1998-05: 18; 1999-05: 17",
    ),
    "Monday of week 20": (
        "1997-05-12",
        "FREQ=YEARLY;BYWEEKNO=20;BYDAY=MO;COUNT=3",
        "1997-05: 12; 1998-05: 11; 1999-05: 17",
    ),
    "every Thursday in March": (
        "1997-03-13",
        "FREQ=YEARLY;BYMONTH=3;BYDAY=TH;COUNT=11",
        "1997-03: 13 20 27; 1998-03: 5 12 19 26; 1999-03: 4 11 18 25",
    ),
    "Friday the 13th": (
        "1998-02-13",
        "FREQ=MONTHLY;BYDAY=FR;BYMONTHDAY=13;COUNT=5",
        "1998-02: 13; 1998-03: 13; 1998-11: 13; 1999-08: 13; 2000-10: 13",
    ),
    "the day of an election every four years": (
        "1996-11-05",
        "FREQ=YEARLY;INTERVAL=4;BYMONTH=11;BYDAY=TU;BYMONTHDAY=2,3,4,5,6,7,8;COUNT=3",
        "1996-11: 5; 2000-11: 7; 2004-11: 2",
    ),
    "third of Tuesday, Wednesday and Thursday": (
        "1997-09-04",
        "FREQ=MONTHLY;COUNT=3;BYDAY=TU,WE,TH;BYSETPOS=3",
        "1997-09: 4; 1997-10: 7; 1997-11: 6",
    ),
    "second-to-last weekday of the month": (
        "1997-09-29",
        "FREQ=MONTHLY;BYDAY=MO,TU,WE,TH,FR;BYSETPOS=-2;COUNT=7",
        "1997-09: 29; 1997-10: 30; 1997-11: 27; 1997-12: 30; 1998-01: 29; 1998-02: 26; 1998-03: 30",
    ),
    "weeks that begin on Monday": (
        "1997-08-05",
        "FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=MO",
        "1997-08: 5 10 19 24",
    ),
    "weeks that begin on Sunday": (
        "1997-08-05",
        "FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=SU",
        "1997-08: 5 17 19 31",
    ),
    "a 30th of February is passed over": (
        "2007-01-15",
        "FREQ=MONTHLY;BYMONTHDAY=15,30;COUNT=5",
        "2007-01: 15 30; 2007-02: 15; 2007-03: 15 30",
    ),
}


at = datetime.fromisoformat


def listed(text: str) -> list[date]:
    months = (part.strip().split(": ") for part in text.split(";"))
    return [date.fromisoformat(f"{month}-{int(day):02}") for month, days in months for day in days.split()]


@pytest.mark.parametrize("which", EXAMPLES)
def test_the_worked_examples_of_rfc_5545(which: str) -> None:
    first, rule, dates = EXAMPLES[which]
    assert dates_of(rule, at(f"{first}T09:00"), NEW_YORK, 200) == listed(dates)


@pytest.mark.parametrize(
    "rule",
    [
        "FREQ=YEARLY;UNTIL=20000131T140000Z;BYMONTH=1;BYDAY=SU,MO,TU,WE,TH,FR,SA",
        "FREQ=DAILY;UNTIL=20000131T140000Z;BYMONTH=1",
    ],
)
def test_every_day_of_three_januaries_two_ways(rule: str) -> None:
    found = dates_of(rule, at("1998-01-01T09:00"), NEW_YORK, 200)
    assert len(found) == 93
    assert (found[0], found[31], found[-1]) == (date(1998, 1, 1), date(1999, 1, 1), date(2000, 1, 31))


def test_daily_until_an_instant_of_which_the_local_date_is_another() -> None:
    found = dates_of("FREQ=DAILY;UNTIL=19971224T000000Z", at("1997-09-02T09:00"), NEW_YORK, 200)
    assert (len(found), found[-1]) == (113, date(1997, 12, 23))


def test_of_dates_alone_the_last_is_a_date() -> None:
    rule = "RRULE:FREQ=WEEKLY;UNTIL=20270117"
    assert dates_of(rule, date(2027, 1, 3), None, 200) == [date(2027, 1, day) for day in (3, 10, 17)]


def test_no_more_are_looked_for_than_one_too_many() -> None:
    assert len(dates_of("FREQ=DAILY;COUNT=10000", date(2027, 1, 3), None, 5)) == 6


def test_none_is_beyond_the_years_that_can_be_asked_for() -> None:
    assert dates_of("FREQ=YEARLY;COUNT=9", date(2098, 1, 3), None, 200)[-1] == date(2100, 1, 3)


@pytest.mark.parametrize(
    ("rule", "problem"),
    [
        ("", "cannot stand there"),
        ("COUNT=3", "FREQ is missing"),
        ("FREQ=WEEKLY", "no one end"),
        ("FREQ=WEEKLY;COUNT=3;UNTIL=20270117T000000Z", "no one end"),
        ("FREQ=WEEKLY;COUNT=3;COUNT=4", "cannot stand there"),
        ("FREQ=SECONDLY;COUNT=3", "cannot be read"),
        ("FREQ=DAILY;COUNT=3;BYHOUR=9,17", "cannot stand there"),
        ("FREQ=DAILY;COUNT=3;BYEASTER=0", "cannot stand there"),
        ("FREQ=DAILY;COUNT=3\nDTSTART:20270101", "cannot be"),
        ("FREQ=DAILY;COUNT=0", "cannot be"),
        ("FREQ=DAILY;COUNT=-1", "cannot be"),
        ("FREQ=DAILY;COUNT=3;INTERVAL=0", "cannot be"),
        ("FREQ=DAILY;COUNT=3;INTERVAL=1001", "cannot be"),
        ("FREQ=YEARLY;COUNT=3;BYMONTH=13", "cannot be"),
        ("FREQ=YEARLY;COUNT=3;BYMONTH=-1", "cannot be"),
        ("FREQ=YEARLY;COUNT=3;BYDAY=54MO", "cannot be"),
        ("FREQ=WEEKLY;COUNT=3;BYDAY=1MO", "months and years only"),
        ("FREQ=WEEKLY;COUNT=3;BYMONTHDAY=3", "does not go with"),
        ("FREQ=MONTHLY;COUNT=3;BYWEEKNO=3", "does not go with"),
        ("FREQ=WEEKLY;UNTIL=20270117", "not of the same kind"),
        ("FREQ=WEEKLY;UNTIL=20270231T000000Z", "on no calendar"),
        ("FREQ=WEEKLY;COUNT=3;BYDAY=MO", "is no date of it"),
        ("FREQ=DAILY;COUNT=3;BYMONTH=2;BYMONTHDAY=30", "is no date of it"),
        (f"FREQ=WEEKLY;COUNT=3;BYDAY={','.join(['SU'] * LONGEST_RULE)}", "too long"),
    ],
)
def test_what_cannot_be_a_rule_is_refused(rule: str, problem: str) -> None:
    with pytest.raises(InputError, match=problem) as refused:
        dates_of(rule, at("2027-01-03T19:00"), NEW_YORK, 200)
    assert refused.value.field == "rule"


def test_dates_alone_have_no_instant_to_end_at() -> None:
    with pytest.raises(InputError, match="not of the same kind"):
        dates_of("FREQ=WEEKLY;UNTIL=20270117T000000Z", date(2027, 1, 3), None, 200)


@pytest.mark.parametrize(
    ("dates", "field"),
    [
        (("2027-02-30",), "dates_off[0]"),
        (("2027-01-03", "20270110"), "dates_off[1]"),
        (("2027-01-03",) * 2, "dates_off"),
    ],
)
def test_dates_off_are_dates(dates: tuple[str, ...], field: str) -> None:
    with pytest.raises(InputError) as refused:
        check_dates_off(dates)
    assert refused.value.field == field


def test_a_date_or_a_local_time_is_moved_by_days() -> None:
    week = date(2027, 1, 10) - date(2027, 1, 3)
    assert (later_by("2027-03-28", week), later_by("2027-03-21T19:30", week)) == ("2027-04-04", "2027-03-28T19:30:00")
