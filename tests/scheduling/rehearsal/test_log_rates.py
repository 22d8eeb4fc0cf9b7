"""What the log of a machine tells of its network, of its nozzles and of jams, with how long it has been printing."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest

from machines.model.calibration import Calibration
from machines.protocol.journal_entries import OperatorActed
from scheduling.background.watch_silence import watch_silence
from scheduling.log.events.equipment import MachineCalibrated
from scheduling.log.models import Heartbeat, Run
from scheduling.log.store import Append, append, stream_version
from scheduling.nodes.reports import take
from scheduling.planning.opening_hours import Hours, OpenSpan, Week
from scheduling.rehearsal.log_rates import rates_of
from scheduling.rehearsal.rates import Rates
from tests.scheduling.commands.test_override import settled
from tests.scheduling.house import NOON, batch, by, furnish, long_after, plan, ready, set_hours, started
from tests.scheduling.rehearsal.test_rehearse import at

pytestmark = pytest.mark.django_db
EVERY_MINUTE = timedelta(minutes=1)


def silent(begins_h: float, ends_h: float | None) -> None:
    """The node is heard, then not for some hours, or ever since."""
    Heartbeat.objects.update_or_create(machine_id="one", defaults={"heard_at": at(begins_h), "status": {}})
    watch_silence(at(begins_h + 0.5), EVERY_MINUTE)
    if ends_h is not None:
        Heartbeat.objects.filter(machine_id="one").update(heard_at=at(ends_h))
        watch_silence(at(ends_h), EVERY_MINUTE)


def measured(hours: float, *dead: int) -> None:
    event = MachineCalibrated(calibration=Calibration(dead_nozzles=dead))
    append([Append("machine/one", stream_version("machine/one"), [event])], by(at=at(hours)))


def test_silences_tell_of_the_network() -> None:
    """Two days and a half of printing, and two losses of three and of seven hours, with the typical one in fourteen
    days of six: three in 16.5 days, of a third of sixteen hours."""
    furnish()
    plan(ends_at=at(60).isoformat())
    silent(2.0, 5.0)
    silent(20.0, 27.0)
    found = rates_of("one", at(100), Rates()).network
    assert found.per_day == pytest.approx(3 / 16.5)
    assert found.mean_hours == pytest.approx((6.0 + 3.0 + 7.0) / 3)
    assert "2 in 2.5 days of this machine's log" in found.source


def test_one_that_goes_on_counts_and_has_no_length_yet() -> None:
    furnish()
    plan(ends_at=at(60).isoformat())
    silent(2.0, None)
    found = rates_of("one", at(100), Rates()).network
    assert found.per_day == pytest.approx(2 / 16.5) and found.mean_hours == 6.0


def test_a_board_without_power_tells_nothing_of_the_network(tmp_path: Path) -> None:
    ready(tmp_path, ends_at=at(60).isoformat())
    silent(2.0, 5.0)
    take("one", batch(started(), settled(2, 5.0, missing_since=at(2.0))), long_after())
    found = rates_of("one", at(100), Rates())
    assert found.network.per_day == pytest.approx(1 / 16.5)
    assert found.power.per_day == pytest.approx(2 / 62.5)


def test_nozzles_are_told_by_those_that_were_found_dead_until_somebody_looked_last() -> None:
    """Nothing is dead by the first half of a day, two are by the first day, one of them alive again and a third dead by
    the second: three in two days of printing, with the typical one in thirty."""
    furnish()
    plan(ends_at=at(60).isoformat())
    measured(12.0)
    measured(24.0, 3, 5)
    measured(48.0, 5, 9)
    found = rates_of("one", at(100), Rates()).nozzle
    assert found.per_day == pytest.approx(4 / 32.0)
    assert "3 in 2 days of this machine's log" in found.source


def test_nozzles_that_were_dead_when_somebody_looked_first_did_not_die_since() -> None:
    """When they died nobody knows: nor is the time before it one in which it was seen how many do. One more is dead by
    the end of the second day: one in a day and a half, with the typical one in thirty."""
    furnish()
    plan(ends_at=at(60).isoformat())
    measured(12.0, 1, 3, 5)
    measured(48.0, 1, 3, 5, 9)
    found = rates_of("one", at(100), Rates()).nozzle
    assert found.per_day == pytest.approx(2 / 31.5)
    assert "1 in 1.5 days of this machine's log" in found.source


def test_a_machine_that_came_with_dead_nozzles_is_typical_until_somebody_looks_again() -> None:
    furnish()
    plan(ends_at=at(60).isoformat())
    measured(-5.0, 1, 3, 5)
    assert rates_of("one", at(100), Rates()).nozzle.per_day == Rates().nozzle.per_day
    measured(36.0, 1, 3)
    found = rates_of("one", at(100), Rates()).nozzle
    assert found.per_day == pytest.approx(1 / 31.5), "none in a day and a half"


def test_a_check_that_showed_none_tells_something_and_another_measure_does_not(tmp_path: Path) -> None:
    ready(tmp_path, ends_at=at(60).isoformat())
    measured(24.0)
    assert rates_of("one", at(100), Rates()).nozzle.source.startswith("nobody has looked")
    check = OperatorActed(
        seq=2, at=at(36.0), action="test-pattern", pattern="nozzles", paper_position=0, paper_columns=9
    )
    take("one", batch(started(), check), long_after())
    found = rates_of("one", at(100), Rates()).nozzle
    assert found.per_day == pytest.approx(1 / 31.5), "one typical in thirty days, and none in a day and a half"


def test_paper_jams_only_where_it_moves() -> None:
    """From 13:00 on the first day, by the clock of Lisbon, to midnight of the third: seven hours of the first, and
    twelve of each other."""
    furnish()
    day = (OpenSpan(opens="08:00", closes="20:00"),)
    week = Week(**dict.fromkeys(("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"), day))
    plan(ends_at=at(60).isoformat())
    always = rates_of("one", at(100), Rates()).jam.per_day
    Run.objects.update(only_while_open=True)
    set_hours("shed", Hours(week=week), by(at=NOON))
    found = rates_of("one", at(100), Rates())
    assert always == pytest.approx(1 / 62.5)
    assert found.jam.per_day == pytest.approx(1 / (60 + 31 / 24))
    assert found.power.per_day == pytest.approx(1 / 62.5), "the power may go at any time"
