"""What is amiss: each thing found by itself, by a key that stays the same, and gone when it is over."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from machines.protocol.journal_entries import ConditionsChanged, KnifeArmed, NodeStarted, NodeStopped, OperatorActed
from machines.recovery import Rule
from scheduling.background.watch_silence import watch_silence
from scheduling.commands.additions import FixServiceWindow
from scheduling.log.events.server import OpeningDoubted, OpeningNotDoubted, SilenceBegan, SilenceEnded
from scheduling.log.models import BrokenView, Heartbeat, Machine
from scheduling.log.store import Append, append
from scheduling.nodes.reports import take
from scheduling.rendering.plate_store import PlateStore
from scheduling.telling.amiss import Amiss, Looked, amiss_now
from tests.scheduling.commands.test_override import at, later, lay, settled
from tests.scheduling.house import batch, furnish, long_after, order, plan, ready, started

pytestmark = pytest.mark.django_db
SKIP = Rule(kind="skip")
MUCH = 10**12


@pytest.fixture
def plates(tmp_path: Path) -> PlateStore:
    return ready(tmp_path)


def told(*entries: Any) -> None:
    take("one", batch(*entries), long_after())


def looked(plates: PlateStore, hours: float = 3.0, free: int | None = MUCH) -> Looked:
    return amiss_now(at(hours), plates, free)


def kinds(plates: PlateStore, hours: float = 3.0) -> list[str]:
    return [one.kind for one in looked(plates, hours).amiss]


def armed(seq: int) -> KnifeArmed:
    return KnifeArmed(seq=seq, at=at(0))


def well(*more: Any) -> None:
    """A machine that prints, with its knife armed."""
    told(started(), armed(2), *more)


def says(**status: Any) -> None:
    """What its board says of itself."""
    full = {"at": at(3).isoformat(), "next_column": None, "paper_position": 0, "clock_error_s": 0.01}
    full |= {"knife_armed": True, "held_until": None} | status
    Heartbeat.objects.update_or_create(machine_id="one", defaults={"heard_at": at(3), "status": full})


def test_nothing_is_amiss_while_all_is_well(plates: PlateStore) -> None:
    well(lay(3, 4))
    says()
    assert looked(plates) == Looked((), of_machines=True)


def test_a_board_that_was_never_heard(plates: PlateStore) -> None:
    assert kinds(plates, 0.1) == ["knife"]  # nobody ever armed it
    watch_silence(at(1), timedelta(minutes=15))
    assert looked(plates).amiss == (Amiss(kind="never-heard", since=at(0), venue="shed", machine="one"),)


def test_a_silence_hides_what_else_was_last_known(plates: PlateStore) -> None:
    told(started())
    append([Append("machine/one", None, [SilenceBegan(last_heard_at=at(1))])], later(2))
    (found,) = looked(plates).amiss
    assert (found.kind, found.since, found.key) == ("silence", at(1), "printing/one")
    append([Append("machine/one", None, [SilenceEnded(silent_s=60.0)])], later(3))
    assert kinds(plates) == ["knife"]


def test_a_silence_with_nothing_due_is_none(tmp_path: Path) -> None:
    plates = ready(tmp_path, starts_at=at(9).isoformat(), ends_at=at(19).isoformat())
    well()
    append([Append("machine/one", None, [SilenceBegan(last_heard_at=at(1))])], later(2))
    assert kinds(plates) == []
    assert kinds(plates, 9.5) == ["silence"]


def test_a_board_that_was_ended_in_order(plates: PlateStore) -> None:
    well(NodeStopped(seq=3, at=at(1)))
    (found,) = looked(plates).amiss
    assert (found.kind, found.since, found.key) == ("ended", at(1), "printing/one")


def test_one_cause_goes_on_under_one_key_until_the_machine_prints_true_again(plates: PlateStore) -> None:
    well(lay(3, 4))
    says()
    append([Append("machine/one", None, [SilenceBegan(last_heard_at=at(1))])], later(2))
    seen = [looked(plates).amiss]
    append([Append("machine/one", None, [SilenceEnded(silent_s=60.0)])], later(3))
    told(NodeStarted(seq=4, at=at(2), unplanned_stop=True))
    seen.append(looked(plates).amiss)
    told(OperatorActed(seq=5, at=at(3), action="resume"))
    seen.append(looked(plates).amiss)
    told(settled(6, 3.0), armed(7))
    seen.append(looked(plates).amiss)
    assert [[one.kind for one in some] for some in seen] == [["silence"], ["stands"], ["knife"], ["outage"]]
    assert {one.key for some in seen for one in some} == {"printing/one", "knife/one"}


def test_what_is_left_out_is_settled_at_once(plates: PlateStore) -> None:
    well(lay(3, 4), settled(4, 2.0, SKIP))
    says()
    assert kinds(plates) == []


def test_what_a_person_holds_is_told_when_it_may_be_forgotten(plates: PlateStore) -> None:
    well(OperatorActed(seq=3, at=at(1), action="pause"))
    says()
    assert kinds(plates, 1.99) == []
    (found,) = looked(plates, 2.0).amiss
    assert (found.kind, found.since) == ("held", at(1))


def test_a_knife_that_nobody_armed(plates: PlateStore) -> None:
    told(started())
    (found,) = looked(plates).amiss
    assert (found.kind, found.key) == ("knife", "knife/one")
    told(armed(2))
    says()
    assert kinds(plates) == []


def test_conditions_that_ask_for_hands_each_have_a_key(plates: PlateStore) -> None:
    keywords = (
        "cover-open-warning",
        "media-low-warning",
        "separation-cutter-offline-warning",
        "marker-supply-low-report",
    )
    well(ConditionsChanged(seq=3, at=at(1), keywords=keywords))
    says()
    found = [one for one in looked(plates).amiss if one.kind == "hands"]
    assert [one.key for one in found] == ["hands/one/cover-open-warning"]


def test_a_condition_that_stops_it_is_told_as_what_stops_it(plates: PlateStore) -> None:
    well(ConditionsChanged(seq=3, at=at(1), keywords=("media-jam-error", "separation-cutter-offline-warning")))
    says()
    assert looked(plates).amiss == (
        Amiss(kind="stands", since=at(1), venue="shed", machine="one", of="media-jam-error"),
    )


def test_a_clock_in_doubt_that_stops_it_is_one_thing(plates: PlateStore) -> None:
    well(ConditionsChanged(seq=3, at=at(1), keywords=("other-error",)))
    says(clock_error_s=None)
    assert kinds(plates) == ["stands"]


@pytest.mark.parametrize(("error_s", "is_in_doubt"), [(0.01, False), (None, True), (179.0, False), (181.0, True)])
def test_a_clock_in_doubt(plates: PlateStore, error_s: float | None, is_in_doubt: bool) -> None:
    """Half a column of a day in 240 is 180 seconds."""
    well(lay(3, 4))
    says(clock_error_s=error_s)
    assert ("clock" in kinds(plates)) == is_in_doubt


def test_a_board_that_says_nothing_of_its_clock_is_not_in_doubt(plates: PlateStore) -> None:
    well(lay(3, 4))
    Heartbeat.objects.update_or_create(machine_id="one", defaults={"heard_at": at(3), "status": {}})
    assert "clock" not in kinds(plates)


def test_a_part_that_ends_before_anybody_comes(tmp_path: Path) -> None:
    """A blade of three cuts, and twelve strips a turn."""
    furnish(knife={"head_to_knife_mm": 10.0, "cuts_per_blade": 3})
    plan()
    plates = PlateStore(tmp_path)
    (found,) = [one for one in looked(plates, 0.5).amiss if one.kind == "supply"]
    assert (found.of, found.key) == ("blade", "supply/one/blade")
    assert found.until is not None and at(6) < found.until < at(12)
    order(
        FixServiceWindow,
        id="rounds", venue="shed", name="Rounds",
        comes={"kind": "weekly", "weekday": "saturday", "begins": "14:00", "ends": "16:00"},
    )  # fmt: skip
    assert not [one for one in looked(plates, 0.5).amiss if one.kind == "supply"]


def test_the_server_itself(plates: PlateStore) -> None:
    well(lay(3, 4))
    says()
    assert looked(plates, free=999_999_999).amiss == (Amiss(kind="disk", since=at(3)),)
    assert looked(plates, free=1_000_000_000).amiss == ()
    assert looked(plates, free=None).amiss == ()
    told(NodeStopped(seq=4, at=at(1)))
    for view in ("runs", "machines"):
        BrokenView.objects.create(view=view, position=1, problem="no such column")
    assert looked(plates) == Looked((Amiss(kind="views", since=at(3)),), of_machines=False)


def test_a_machine_that_was_retired_is_nobodys(plates: PlateStore) -> None:
    told(started())
    Machine.objects.update(retired_at=at(2))
    assert kinds(plates) == []


def test_when_it_was_found_is_known_to_the_instant(plates: PlateStore) -> None:
    told(started())
    (found,) = looked(plates, 2.5).amiss
    assert found.since == datetime(2026, 10, 24, 14, 30, tzinfo=found.since.tzinfo)


def test_an_opening_against_which_something_speaks(plates: PlateStore) -> None:
    well(lay(3, 4))
    says()
    said = OpeningDoubted(opening="first-night", kinds=("no-run",), said="nothing is printed then")
    append([Append("machine/one", None, [said])], later(2))
    (found,) = looked(plates).amiss
    assert (found.kind, found.of, found.since, found.key) == (
        "opening",
        "first-night",
        at(2),
        "opening/one/first-night",
    )
    append([Append("machine/one", None, [OpeningNotDoubted(opening="first-night")])], later(3))
    assert kinds(plates) == []
