"""Who is told, and when: by role and venue, on call by their own clock, quiet hours, and the next where nobody sees to
it."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any, get_args

import pytest

from machines.errors import InputError
from machines.serialization import structure
from scheduling.telling.amiss import Amiss, AmissKind
from scheduling.telling.matters import Matter
from scheduling.telling.recipients import AllRecipients, Recipient
from scheduling.telling.whom import HEARD_BY, OVER, concerns, is_on_call, is_quiet, is_told, tellings
from scheduling.venues.contacts import CONTACT_ROLES

FOUND = datetime(2026, 10, 24, 12, tzinfo=UTC)
TOLD_FROM = FOUND + timedelta(minutes=2)


def matter(kind: AmissKind = "silence", venue: str | None = "shed") -> Matter:
    machine = None if venue is None else "a"
    part = Amiss(kind=kind, since=FOUND, venue=venue, machine=machine)
    return Matter(id="m", kind=kind, parts={part.key: part}, began_at=FOUND, told_from=TOLD_FROM)


def one(**said: Any) -> Recipient:
    return structure({"id": "desk", "role": "studio", "email": "desk@shed.example"} | said, Recipient)


def instant(text: str) -> datetime:
    return datetime.fromisoformat(text).astimezone(UTC)


def test_every_kind_is_heard_by_somebody_and_the_studio_hears_all() -> None:
    assert set(HEARD_BY) == set(CONTACT_ROLES)
    assert HEARD_BY["studio"] == set(get_args(AmissKind))


@pytest.mark.parametrize(
    ("said", "kind", "venue", "told"),
    [
        ({}, "silence", "shed", True),
        ({"venues": ["shed"]}, "silence", "shed", True),
        ({"venues": ["quay"]}, "silence", "shed", False),
        ({}, "disk", None, True),
        ({"venues": ["shed"]}, "disk", None, False),
        ({"role": "technician"}, "disk", None, False),
        ({"role": "technician"}, "supply", "shed", True),
        ({"role": "curator"}, "stands", "shed", True),
        ({"role": "curator"}, "knife", "shed", False),
        ({"role": "house"}, "knife", "shed", True),
        ({"role": "house"}, "clock", "shed", False),
    ],
)
def test_by_role_and_venue(said: dict[str, Any], kind: AmissKind, venue: str | None, told: bool) -> None:
    assert concerns(one(**said), matter(kind, venue)) is told


def test_the_next_is_told_when_nobody_acknowledged_for_so_long() -> None:
    night, of = one(after_min=30), matter()
    at = TOLD_FROM + timedelta(minutes=30)
    assert not is_told(night, of, at - timedelta(seconds=1))
    assert is_told(night, of, at)
    assert not is_told(night, replace(of, acknowledged_at=at), at)
    assert not is_told(one(), of, TOLD_FROM - timedelta(seconds=1))
    assert is_told(one(), of, TOLD_FROM)
    assert not is_told(one(), replace(of, gone_at=TOLD_FROM), TOLD_FROM)


WORKDAY = {"week": {"saturday": [{"opens": "09:00", "closes": "17:00"}]}}
NIGHT = {"week": {"saturday": [{"begins": "22:00", "ends": "07:00"}]}}


@pytest.mark.parametrize(
    ("zone", "at", "there"),
    [
        ("Europe/Lisbon", "2026-10-24T09:00+01:00", True),
        ("Europe/Lisbon", "2026-10-24T08:59:59+01:00", False),
        ("Europe/Lisbon", "2026-10-24T16:59:59+01:00", True),
        ("Europe/Lisbon", "2026-10-24T17:00+01:00", False),
        ("Pacific/Chatham", "2026-10-24T09:00+13:45", True),
        ("Pacific/Chatham", "2026-10-24T09:00+01:00", False),
    ],
)
def test_on_call_goes_by_their_own_clock(zone: str, at: str, there: bool) -> None:
    assert is_on_call(one(zone=zone, on_call=WORKDAY), instant(at)) is there


def test_a_night_in_which_clocks_change_is_quiet_throughout() -> None:
    """In Lisbon the hour from 01:00 to 02:00 came twice on 25 October 2026 (European Union, Directive 2000/84/EC)."""
    sleeper = one(zone="Europe/Lisbon", quiet=NIGHT)
    begins, ends = instant("2026-10-24T22:00+01:00"), instant("2026-10-25T07:00+00:00")
    assert ends - begins == timedelta(hours=10)
    minutes = [begins + timedelta(minutes=m) for m in range(-1, 601)]
    assert [is_quiet(sleeper, at) for at in minutes] == [False, *[True] * 600, False]


def test_in_quiet_hours_only_what_cannot_wait_is_told() -> None:
    sleeper, at = one(zone="Europe/Lisbon", quiet=NIGHT), instant("2026-10-25T01:30+00:00")
    assert is_told(sleeper, matter("silence"), at) and not is_told(sleeper, matter("knife"), at)
    assert is_told(sleeper, matter("knife"), instant("2026-10-25T07:00+00:00"))


def test_who_is_not_on_call_is_told_when_they_are_if_it_lasts() -> None:
    later = one(zone="Europe/Lisbon", on_call={"week": {"sunday": [{"opens": "09:00", "closes": "17:00"}]}})
    assert not is_told(later, matter(), TOLD_FROM)
    assert is_told(later, matter(), instant("2026-10-25T09:00+00:00"))


def test_only_who_was_told_is_told_that_it_is_over() -> None:
    some = [one(id="a"), one(id="b"), one(id="c", quiet=NIGHT, zone="Europe/Lisbon")]
    over = replace(matter(), gone_at=FOUND, over_at=FOUND)
    sent = {"m": frozenset({"a", "c"})}
    night, day = instant("2026-10-25T01:30+00:00"), instant("2026-10-25T07:00+00:00")
    assert [(found.recipient, found.what) for found in tellings(some, [over], sent, night)] == [("a", OVER)]
    assert [found.recipient for found in tellings(some, [over], sent, day)] == ["a", "c"]


def test_who_is_not_on_call_is_told_that_it_is_over_when_they_are() -> None:
    sunday = {"week": {"sunday": [{"opens": "09:00", "closes": "17:00"}]}}
    some, over = [one(zone="Europe/Lisbon", on_call=sunday)], replace(matter(), gone_at=FOUND, over_at=FOUND)
    sent = {"m": frozenset({"desk"})}
    assert list(tellings(some, [over], sent, instant("2026-10-25T08:59:59+00:00"))) == []
    assert [found.what for found in tellings(some, [over], sent, instant("2026-10-25T09:00+00:00"))] == [OVER]


def test_what_is_told_has_one_id_whoever_works_it_out() -> None:
    (first,), (again,) = (list(tellings([one()], [matter()], {}, TOLD_FROM)) for _ in range(2))
    assert first.id == again.id and len(first.id) == 32
    (anew,) = tellings([one()], [matter("stands")], {}, TOLD_FROM)
    assert anew.id != first.id
    stands_again = replace(matter(), told_from=TOLD_FROM + timedelta(hours=1))
    (anew,) = tellings([one()], [stands_again], {}, stands_again.told_from)
    assert anew.id != first.id


@pytest.mark.parametrize(
    ("said", "field"),
    [
        ({"id": "No Body"}, "id"),
        ({"email": ""}, "email"),
        ({"webhook": "https://pager.example/hook"}, "email"),
        ({"email": "desk"}, "email"),
        ({"email": "", "webhook": "ftp://pager.example/"}, "webhook"),
        ({"email": "", "webhook": "https://a:b@pager.example/"}, "webhook"),
        ({"email": "", "webhook": "https://pager.example:99999/"}, "webhook"),
        ({"email": "", "webhook": "https:///hook"}, "webhook"),
        ({"email": "", "webhook": "https://pager.example/a b"}, "webhook"),
        ({"language": "xx"}, "language"),
        ({"zone": "Lisbon"}, "zone"),
        ({"after_min": 1441}, "after_min"),
        ({"after_min": -1}, "after_min"),
        ({"secret_number": 0}, "secret_number"),
        ({"venues": ["a", "a"]}, "venues"),
        ({"name": "a\nb"}, "name"),
        ({"role": "boss"}, "role"),
    ],
)
def test_who_cannot_be_told_is_refused_by_name(said: dict[str, Any], field: str) -> None:
    with pytest.raises(InputError) as refused:
        one(**said)
    assert refused.value.field == field and refused.value.remedy


def test_each_has_an_id_of_its_own() -> None:
    with pytest.raises(InputError, match="is there twice"):
        AllRecipients(recipients=(one(), one()))
