"""A server that was put back from an older copy says what its boards tell that it had forgotten."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from machines.protocol.journal_entries import Entry, KnifeArmed
from machines.protocol.messages import Reports, Retelling
from scheduling.commands import handlers
from scheduling.commands.enrol_node import enrol
from scheduling.log.models import Notice
from scheduling.log.rebuilding.rebuild import rebuild
from scheduling.log.store import read
from scheduling.nodes.received_entries import read_batch
from scheduling.nodes.reports import take
from tests.scheduling.house import NOON, by, long_after, order, plan, printed, ready, started

pytestmark = pytest.mark.django_db

LATER = NOON + timedelta(days=2)


def tell(*entries: Entry, again: Any = None) -> None:
    data = Reports(epoch=1, entries=entries).as_json()
    take("one", read_batch(data if again is None else data | {"again": again}), long_after())


def of_second(seq: int, at: Any = LATER) -> Entry:
    return replace(printed(seq, 3, 720 + seq, 721 + seq, 1, 720 + seq), run="second", at=at)


def plan_second(**fields: Any) -> None:
    span = {"starts_at": LATER.isoformat(), "ends_at": (LATER + timedelta(hours=12)).isoformat()}
    plan(**{"id": "second"} | span | fields)


def only(kind: str) -> Notice:
    return Notice.objects.get(kind=kind)


def test_a_run_that_is_not_known_is_told_once_with_what_to_do(tmp_path: Path) -> None:
    ready(tmp_path)
    tell(started(), of_second(2), of_second(3))
    tell(of_second(4))
    notice = only("run-not-known")
    assert (notice.machine_id, notice.cleared_at) == ("one", None)
    assert notice.said == (
        "its board tells of run second since 2026-10-26 12:00 (Europe/Lisbon), and no such run is known here: this"
        " server was put back from an older copy. What it tells is kept. Put back a newer copy, or plan the run again"
        " as it was, under the same id, from and to the same instants, with begins_in_the_past; under another id, what"
        " lies on the paper counts as missed"
    )


def test_the_word_on_a_run_ends_when_it_is_planned_again(tmp_path: Path) -> None:
    ready(tmp_path)
    tell(of_second(1), replace(of_second(2), run="third"))
    plan_second()
    assert list(Notice.objects.filter(kind="run-not-known", cleared_at=None).values_list("run", flat=True)) == ["third"]
    assert all(result.equal for result in rebuild(swap=False))


def test_planned_on_another_machine_it_stays_unknown_here(tmp_path: Path) -> None:
    ready(tmp_path)
    tell(of_second(1))
    order(handlers.AddMachine, id="other", name="Other", venue="shed", profile="small")
    enrol("other", by())
    plan_second(machine="other")
    assert only("run-not-known").cleared_at is None


def test_what_is_told_again_is_said_when_the_last_of_it_is_taken(tmp_path: Path) -> None:
    ready(tmp_path)
    first = replace(printed(1, 1, 361, 363, 2, 0), at=NOON + timedelta(hours=1))
    again = {"first": 1, "through": 3}
    tell(first, of_second(2, LATER - timedelta(minutes=30)), again=again)
    assert not Notice.objects.filter(kind="entries-told-again").exists()
    tell(of_second(3), of_second(4, LATER + timedelta(hours=3)), again=again)
    tell(of_second(3), of_second(4, LATER + timedelta(hours=3)), again=again)  # as where the answer was lost
    notice = only("entries-told-again")
    assert notice.said == (
        "its board told again 3 entries from 2026-10-24 14:00 (Europe/Lisbon) to 2026-10-26 12:00 (Europe/Lisbon), of"
        " runs first, second: this server had lost them, as it was put back from an older copy, and has them now. What"
        " people ordered and decided here after that copy nobody tells again: look whether it is still there"
    )
    assert notice.cleared_at == notice.raised_at
    assert all(result.equal for result in rebuild(swap=False))


def test_of_an_older_part_only_what_was_lost_is_counted(tmp_path: Path) -> None:
    ready(tmp_path)
    tell(started(), KnifeArmed(seq=2, at=NOON))
    tell(KnifeArmed(seq=3, at=NOON), again={"first": 3, "through": 3})
    assert only("entries-told-again").said.startswith(
        "its board told again one entry from 2026-10-24 13:00 (Europe/Lisbon) to 2026-10-24 13:00 (Europe/Lisbon), of"
        " no run: "
    )


def test_of_what_is_not_understood_nobody_says_when_it_was(tmp_path: Path) -> None:
    """A board tells a spoilt entry so."""
    ready(tmp_path)
    spoilt = {"seq": 1, "at": "1970-01-01T00:00:00.000000Z", "kind": "spoilt", "body": "7", "run": "of nobody"}
    data = Reports(epoch=1, entries=()).as_json() | {"entries": [spoilt], "again": {"first": 1, "through": 2}}
    take("one", read_batch(data), long_after())
    tell(of_second(2), again=data["again"])
    (said,) = Notice.objects.filter(kind="entries-told-again").values_list("said", flat=True)
    assert said.startswith(
        "its board told again 2 entries from 2026-10-26 12:00 (Europe/Lisbon) to 2026-10-26 12:00 (Europe/Lisbon), of"
        " run second: "
    )


NUMBERED_WRONG = [{"first": 9, "through": 1}, {"first": 0, "through": 1}, {"first": -(10**30), "through": 1}]


@pytest.mark.parametrize("again", [7, {"first": 1}, {"first": "one", "through": 1}, *NUMBERED_WRONG])
def test_what_cannot_be_read_of_it_holds_up_no_fact(tmp_path: Path, again: Any) -> None:
    ready(tmp_path)
    tell(started(), again=again)
    assert not Notice.objects.exists()
    assert [fact.kind for fact in read(streams=["machine/one"])][-1] == "node-started"


def test_a_batch_that_tells_nothing_again_says_so_by_silence() -> None:
    """So that a server which does not know the word takes all the others."""
    assert "again" not in Reports(epoch=1, entries=()).as_json()
    told = Reports(epoch=1, entries=(), again=Retelling(first=2, through=5)).as_json()
    assert told["again"] == {"first": 2, "through": 5}
