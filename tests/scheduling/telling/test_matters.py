"""One cause is one matter: told once it has stood, over once it is gone for good."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from scheduling.telling.amiss import Amiss, AmissKind, Looked
from scheduling.telling.matters import Matter, matters_now

NOON = datetime(2026, 10, 24, 12, tzinfo=UTC)


def at(minutes: float) -> datetime:
    return NOON + timedelta(minutes=minutes)


def one(
    kind: AmissKind = "silence", machine: str = "a", venue: str = "shed", since: float = -15, of: str = ""
) -> Amiss:
    return Amiss(kind=kind, since=at(since), venue=venue, machine=machine, of=of)


def look(known: tuple[Matter, ...], minutes: float, *amiss: Amiss, of_machines: bool = True) -> tuple[Matter, ...]:
    found = matters_now(known, Looked(tuple(amiss), of_machines), at(minutes))
    return tuple(matter for matter in found if matter.over_at is None)


def test_a_matter_is_told_when_it_has_stood() -> None:
    (matter,) = look((), 0, one())
    assert (matter.kind, matter.began_at, matter.told_from) == ("silence", at(-15), at(2))
    assert (matter.id, matter.venue, matter.is_pressing) == ("printing-a-20261024t120000", "shed", True)
    assert look((matter,), 1, one()) == (matter,)


def test_it_is_over_when_it_is_gone_for_good() -> None:
    known = look((), 0, one())
    (gone,) = look(known, 10)
    assert (gone.gone_at, gone.over_at) == (at(10), None)
    (back,) = look((gone,), 11, one())
    assert back == known[0]
    (over,) = matters_now(look((back,), 12), Looked((), True), at(14))
    assert (over.gone_at, over.over_at) == (at(12), at(14))


def test_machines_of_a_venue_that_fall_silent_together_are_one_matter() -> None:
    (matter,) = look((), 0, one(machine="a"), one(machine="b", since=-14.5))
    (matter,) = look((matter,), 1, one(machine="a"), one(machine="b"), one(machine="c", since=-10))
    assert set(matter.parts) == {"printing/a", "printing/b", "printing/c"}
    (matter,) = look((matter,), 9, one(machine="b"))
    assert matter.gone_at is None  # as long as one of them is silent
    assert set(matter.parts) == {"printing/b"}


def test_a_machine_that_is_heard_again_parts_from_those_that_are_silent() -> None:
    known = look((), 0, one(machine="a"), one(machine="b"))
    known = look(known, 10, one(machine="b"))
    both, again = look(known, 20, one(machine="b"), one(machine="a", since=5))
    assert (set(both.parts), both.told_from) == ({"printing/b"}, at(2))
    assert (set(again.parts), again.kind, again.told_from) == ({"printing/a"}, "silence", at(22))
    both, stands = look(look((), 0, one(machine="a"), one(machine="b")), 20, one(machine="b"), one("stands", since=19))
    assert (set(both.parts), both.kind, both.told_from) == ({"printing/b"}, "silence", at(2))
    assert (set(stands.parts), stands.kind) == ({"printing/a"}, "stands")


def test_when_all_are_heard_again_their_matter_is_over_under_the_same_title() -> None:
    (known,) = look((), 0, one(machine="a"), one(machine="b"))
    gone, late = look((known,), 20, one("outage", machine="a"))
    assert (gone.parts, gone.gone_at, late.kind) == (known.parts, at(20), "outage")
    (over, _) = matters_now((gone, late), Looked((one("outage", machine="a"),), True), at(22))
    assert (over.parts, over.over_at) == (known.parts, at(22))
    back, _ = look((gone, late), 21, one("outage", machine="a"), one(machine="b"))
    assert (back.id, back.gone_at, "printing/b" in back.parts) == (known.id, None, True)


@pytest.mark.parametrize(
    "other",
    [
        one(machine="b", since=-9.9),
        one(machine="b", venue="quay"),
        one("ended", machine="b"),
        one("knife", machine="a"),
    ],
)
def test_what_has_another_cause_is_another_matter(other: Amiss) -> None:
    assert len(look((), 0, one(), other)) == 2


def test_what_keeps_a_machine_from_printing_is_one_matter_whatever_it_is_called() -> None:
    known = look((), 0, one())
    for minutes, kind in ((30, "outage"), (40, "silence"), (50, "held")):
        known = look(known, minutes, one(kind, since=minutes))  # type: ignore[arg-type]  # each of them is a kind
    assert [(matter.kind, matter.began_at) for matter in known] == [("silence", at(-15))]
    assert [part.kind for part in known[0].parts.values()] == ["held"]


def test_a_silence_after_which_it_waits_for_a_person_is_told_anew() -> None:
    (matter,) = look((), 0, one())
    (matter,) = look((replace(matter, acknowledged_at=at(20)),), 30, one("stands", since=25))
    assert (matter.kind, matter.told_from, matter.acknowledged_at) == ("stands", at(30), None)
    (matter,) = look((replace(matter, acknowledged_at=at(31)),), 32, one("stands", since=25))
    assert matter.acknowledged_at == at(31)


def test_a_machine_that_stands_again_is_told_anew_each_time() -> None:
    (matter,) = look((), 0, one("stands"))
    (matter,) = look((replace(matter, acknowledged_at=at(5)),), 10, one("outage", since=9))
    assert (matter.kind, matter.told_from, matter.acknowledged_at) == ("stands", at(2), at(5))
    (matter,) = look((matter,), 60, one("stands", since=59))
    assert (matter.kind, matter.told_from, matter.acknowledged_at) == ("stands", at(60), None)
    assert look((matter,), 61, one("stands", since=59)) == (matter,)


@pytest.mark.parametrize("first", ["outage", "held"])
def test_what_could_wait_and_then_falls_silent_is_told_anew(first: AmissKind) -> None:
    (matter,) = look((), 0, one(first))
    (matter,) = look((replace(matter, acknowledged_at=at(5)),), 30, one(since=15))
    assert (matter.kind, matter.told_from, matter.acknowledged_at) == ("silence", at(30), None)
    (matter,) = look((matter,), 40, one("outage", since=15))
    (matter,) = look((matter,), 50, one(since=45))
    assert matter.told_from == at(30)  # it is that silence still, as it was told


def test_of_machines_that_could_not_be_looked_at_nothing_is_said() -> None:
    known = look((), 0, one())
    views = Amiss(kind="views", since=at(5))
    after = look(known, 5, views, of_machines=False)
    assert after[0] == known[0] and after[1].kind == "views"
    after = look(after, 6, one())
    assert after[0] == known[0] and after[1].gone_at == at(6)


def test_two_parts_of_a_machine_are_two_matters() -> None:
    found = look((), 0, one("supply", of="roll"), one("supply", of="blade"))
    assert [matter.id for matter in found] == ["supply-a-blade-20261024t120000", "supply-a-roll-20261024t120000"]
    assert not found[0].is_pressing
