"""While a view is set aside nothing is written on its ground, and whoever asks is told before anything is."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest

from machines.chance import SYSTEM
from machines.errors import InputError
from machines.recovery import Rule
from scheduling.background.extend_plans import extend_plans
from scheduling.background.watch_silence import watch_silence
from scheduling.commands import handlers
from scheduling.commands.override import override_run
from scheduling.commands.preview_run import check_run
from scheduling.log.models import BrokenView, Event, Heartbeat, Machine, Run
from scheduling.log.projecting.projector import ViewsSetAside
from scheduling.log.store import last_position, read
from scheduling.nodes.reports import say_refused, take
from server import jobs
from tests.scheduling.commands.test_override import later, settled, silent
from tests.scheduling.commands.test_preview_run import command
from tests.scheduling.house import NOON, batch, long_after, order, plan, ready, started

pytestmark = pytest.mark.django_db
LATE = NOON + timedelta(days=30)


def put_aside(view: str = "runs") -> None:
    BrokenView.objects.create(view=view, position=1, problem="no such column")


def test_nothing_is_planned_again_and_again(tmp_path: Path) -> None:
    plates = ready(tmp_path, ends_at=LATE.isoformat())
    put_aside()
    before = last_position()
    for _ in range(3):
        with pytest.raises(ViewsSetAside, match="set aside: runs"):
            extend_plans(LATE, timedelta(hours=192), plates)
    assert last_position() == before
    BrokenView.objects.all().delete()
    assert extend_plans(LATE, timedelta(hours=192), plates) > 0


@pytest.mark.parametrize("view", ["machines", "notices", "runs"])
def test_a_silence_does_not_begin_again_and_again(tmp_path: Path, view: str) -> None:
    ready(tmp_path, ends_at=LATE.isoformat())
    Heartbeat.objects.create(machine_id="one", heard_at=NOON, status={})
    put_aside(view)
    before = last_position()
    for _ in range(3):
        with pytest.raises(ViewsSetAside):
            watch_silence(LATE, timedelta(hours=1))
    assert last_position() == before


def test_a_job_that_waits_says_so_in_a_line(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    plates = ready(tmp_path)
    put_aside()
    monkeypatch.setattr(jobs, "close_old_connections", lambda: None)  # this test's own would go, too
    job = jobs.Job("extend-plans", 15.0, lambda: extend_plans(LATE, timedelta(hours=1), plates))
    assert jobs.run_once(job) is False
    (record,) = [record for record in caplog.records if record.name == "server.jobs"]
    assert "job extend-plans waits, as what it stands on is set aside: runs" in record.getMessage()
    assert record.exc_info is None


@pytest.mark.parametrize("view", ["runs", "machines", "profiles", "sources", "venues"])
def test_no_run_is_ordered_on_what_is_set_aside(tmp_path: Path, view: str) -> None:
    ready(tmp_path)
    put_aside(view)
    before = Event.objects.count()
    with pytest.raises(ViewsSetAside, match=f"set aside: {view}"):
        plan(id="second", starts_at=LATE.isoformat(), ends_at=(LATE + timedelta(days=1)).isoformat())
    with pytest.raises(ViewsSetAside, match=f"set aside: {view}"):
        check_run(command(id="second"), NOON, None)
    assert Event.objects.count() == before and not Run.objects.filter(id="second").exists()


def test_what_needs_other_views_is_ordered_all_the_same(tmp_path: Path) -> None:
    ready(tmp_path)
    put_aside()
    order(handlers.AddMachine, id="two", name="Two", venue="shed", profile="small")
    assert Machine.objects.get(id="two").name == "Two"
    (told,) = read(streams=["machine/two"])
    assert told.kind == "machine-added"


def test_what_a_node_tells_is_kept_whatever_is_set_aside(tmp_path: Path) -> None:
    ready(tmp_path)
    put_aside()
    assert take("one", batch(started()), long_after()) == 1


def test_what_a_node_tells_is_not_written_down_again_and_again(tmp_path: Path) -> None:
    """Where it does not show what was taken; the node keeps it until it does."""
    ready(tmp_path)
    put_aside("machines")
    before = last_position()
    for _ in range(2):
        with pytest.raises(ViewsSetAside):
            take("one", batch(started()), long_after())
        say_refused("one", InputError("entries", "no", "none"), long_after())
    assert last_position() == before
    BrokenView.objects.all().delete()
    assert take("one", batch(started()), long_after()) == 1


@pytest.mark.parametrize("view", ["machines", "outages", "runs"])
def test_nothing_is_decided_on_what_is_set_aside(tmp_path: Path, view: str) -> None:
    """What is open cannot be told, or would be settled by what was so before."""
    ready(tmp_path)
    silent()
    put_aside(view)
    before = Event.objects.count()
    with pytest.raises(ViewsSetAside, match=f"set aside: {view}"):
        override_run(Run.objects.get(), Rule(kind="replay"), None, later(3), SYSTEM)
    assert Event.objects.count() == before


@pytest.mark.parametrize("view", ["runs", "outages"])
def test_no_word_is_said_to_be_passed_over_by_what_is_set_aside(tmp_path: Path, view: str) -> None:
    """It may have been followed, which does not show."""
    ready(tmp_path)
    silent()
    override_run(Run.objects.get(), Rule(kind="replay"), None, later(3), SYSTEM)
    put_aside(view)
    assert take("one", batch(started(), settled(2, 4.0, Rule(kind="skip"))), long_after()) == 2
    assert not Event.objects.filter(kind="word-passed-over").exists()
