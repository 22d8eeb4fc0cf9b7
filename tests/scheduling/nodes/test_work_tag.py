"""The tag of a machine's work is kept as long as the work is the same, and never a moment longer."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from machines.chance import SYSTEM
from machines.model.calibration import Calibration
from machines.protocol.messages import Work
from machines.recovery import Rule
from scheduling.background.extend_plans import extend_plans
from scheduling.commands.enrol_node import enrol
from scheduling.commands.override import override_run
from scheduling.log.events.server import SilenceBegan
from scheduling.log.models import BrokenView, Run, Segment
from scheduling.log.rebuilding.rebuild import rebuild
from scheduling.log.store import Append, append
from scheduling.nodes import work_tag
from scheduling.nodes.reports import take
from scheduling.nodes.work_tag import WorkQuery, basis_of, kept_tag, work_and_tag
from scheduling.planning.opening_hours import Hours, OpenSpan, Week
from scheduling.planning.quiet_hours import QuietHours, QuietSpan, QuietWeek
from scheduling.queries.calibration import calibrate
from scheduling.rendering.plate_store import PlateStore
from tests.scheduling.house import (
    NOON,
    batch,
    by,
    furnish,
    long_after,
    plan,
    printed,
    ready,
    set_hours,
    set_quiet_hours,
    started,
)

pytestmark = pytest.mark.django_db
ASKED = WorkQuery("one", timedelta(hours=5), 60.0)
SOON = NOON + timedelta(minutes=30)


@pytest.fixture(autouse=True)
def nothing_kept() -> None:
    work_tag._kept.clear()  # as in another process, which has kept none


def fresh(now: datetime = NOON, asked: WorkQuery = ASKED) -> str:
    """The tag of the work, made now, and kept."""
    return work_and_tag(asked, basis_of(asked.machine), now)[1]


def known(now: datetime = NOON, asked: WorkQuery = ASKED) -> str | None:
    return kept_tag(asked, basis_of(asked.machine), now)


def test_what_was_made_is_known_without_making_it(tmp_path: Path) -> None:
    ready(tmp_path)
    assert known() is None
    tag = fresh()
    with CaptureQueriesContext(connection) as asked:
        assert known() == tag
    assert len(asked) == 1
    assert known(asked=WorkQuery("one", timedelta(hours=6), 60.0)) is None
    assert known(asked=WorkQuery("one", timedelta(hours=5), 61.0)) is None


def first_segment() -> Segment:
    return Segment.objects.order_by("number")[0]


def laid(seq: int, count: int) -> Any:
    first = first_segment()
    return printed(seq, first.number, first.first_column, first.first_column + count, count)


def changes(folder: Path) -> Iterator[Callable[[], object]]:
    """One after another, whatever is said that may change the work of a machine."""
    yield furnish
    yield lambda: enrol("one", by())
    yield plan
    yield lambda: extend_plans(NOON, timedelta(hours=1), PlateStore(folder))
    yield lambda: plan(id="later", starts_at=at(30), ends_at=at(31))
    yield lambda: extend_plans(NOON, timedelta(hours=192), PlateStore(folder))
    yield lambda: take("one", batch(started(), laid(2, 2)), long_after())
    yield lambda: set_hours("shed", Hours(week=Week(saturday=(OpenSpan(opens="10:00", closes="18:00"),))), by())
    night = (QuietSpan(begins="22:00", ends="07:00"),)
    yield lambda: set_quiet_hours("shed", QuietHours(week=QuietWeek(saturday=night)), by())
    yield lambda: calibrate("one", Calibration(feed_factor=1.01), by())
    yield lambda: append([Append("machine/one", None, [SilenceBegan(last_heard_at=NOON)])], by())
    yield lambda: override_run(Run.objects.get(id="first"), Rule(kind="blank"), None, by(at=SOON), SYSTEM)
    yield lambda: enrol("one", by())


def at(hours: float) -> str:
    return (NOON + timedelta(hours=hours)).isoformat()


def test_whatever_changes_the_work_changes_what_is_known_of_it(tmp_path: Path) -> None:
    first, *others = changes(tmp_path)
    first()
    before, changed = fresh(), 0
    for change in others:
        change()
        kept, now = known(), fresh()
        assert kept in (None, now)
        changed += now != before
        before = now
    assert changed == len(others) - 3  # not by a later run, by turns beyond the horizon, by a silence


def test_time_alone_brings_in_what_begins_before_the_horizon(tmp_path: Path) -> None:
    ready(tmp_path)
    set_hours("shed", Hours(week=Week()), by())
    plan(id="later", starts_at=at(40), ends_at=at(41))
    extend_plans(NOON, timedelta(hours=192), PlateStore(tmp_path))
    tags, knew = set(), 0
    for minutes in range(0, 60 * 48, 7):
        now = NOON + timedelta(minutes=minutes)
        kept, made = known(now), fresh(now)
        assert kept in (None, made)
        knew += kept is not None
        tags.add(made)
    assert len(tags) > 40
    assert knew > 300


def test_a_clock_that_is_put_back_finds_nothing_kept_from_what_was_ahead(tmp_path: Path) -> None:
    ready(tmp_path)
    fresh(SOON)
    assert known(NOON) is None


def test_what_another_process_says_meanwhile_is_not_taken_for_what_was_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ready(tmp_path)
    make = work_tag.work_for

    def overtaken(*arguments: Any) -> Work:
        made = make(*arguments)
        take("one", batch(started(), laid(2, 2)), long_after())
        return made

    before = basis_of("one")
    monkeypatch.setattr(work_tag, "work_for", overtaken)
    stale = work_and_tag(ASKED, before, NOON)[1]
    assert kept_tag(ASKED, before, NOON) is None
    assert known() is None
    monkeypatch.undo()
    assert fresh() != stale


def test_rows_that_are_put_right_are_looked_at_again(tmp_path: Path) -> None:
    ready(tmp_path)
    right = fresh()
    work_tag._kept.clear()  # as in another process, which has kept none
    Segment.objects.filter(number=first_segment().number).update(plate="0" * 64)
    wrong = fresh()
    assert known() == wrong != right
    rebuild()
    assert known() is None
    assert fresh() == right
    rebuild()  # finds nothing to put right, and nothing is forgotten
    assert known() == right


def test_while_a_view_is_set_aside_nothing_is_kept(tmp_path: Path) -> None:
    ready(tmp_path)
    tag = fresh()
    BrokenView.objects.create(view="runs", position=1, problem="no such column")
    assert basis_of("one") is None
    assert known() is None
    assert fresh() == tag
    assert known() is None


def test_who_asks_for_ever_other_horizons_has_the_oldest_forgotten(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(work_tag, "MOST_KEPT", 3)
    ready(tmp_path)
    questions = [WorkQuery("one", timedelta(hours=hours), 60.0) for hours in range(1, 6)]
    for asked in questions:
        fresh(asked=asked)
    assert [known(asked=asked) is not None for asked in questions] == [False, False, True, True, True]
