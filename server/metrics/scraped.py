"""What is read when somebody asks: a question or two for each of these, however many machines, runs and messages there
are, and the same answer from whichever process."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import timedelta
from typing import Any

from django.db import connection
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.registry import Collector

from scheduling.background.extend_plans import runs_due
from scheduling.log.models import BrokenView, Notice, Outage
from scheduling.log.projecting.projector import ViewsSetAside
from scheduling.log.store import last_position
from scheduling.outages.machine_counts import machine_counts
from scheduling.telling.counts import message_counts, open_matters
from server import wiring
from server.metrics.models import Tally
from server.metrics.tallies import FAILED, PLATES
from server.own_work import ALLOWED, stands

# A plan that ends sooner than this has a machine stand still soon: it is drawn for a week and more as a rule.
SHORT_PLAN = timedelta(hours=24)
# What is done is told apart as `work`: by `job` and `instance` whoever scrapes tells apart whom they ask.
# A fleet plans each run as a task of its own.
TASKS = (*ALLOWED, "extend-run")


class Scraped(Collector):
    """Read anew each time."""

    def collect(self) -> Iterator[Metric]:
        """Each family, with its numbers.

        Raises:
            DatabaseError: the database does not answer.
        """
        yield from _machines()
        yield from _plans()
        yield from _work()
        yield from _telling()
        yield from _store()


def _gauge(name: str, said: str, value: float) -> Metric:
    return GaugeMetricFamily(f"dayroll_{name}", said, value=value)


def _gauges(name: str, said: str, label: str, values: Mapping[Any, float]) -> Metric:
    family = GaugeMetricFamily(f"dayroll_{name}", said, labels=[label])
    for key, value in values.items():
        family.add_metric([key], value)
    return family


def _counter(name: str, said: str, value: float) -> Metric:
    return CounterMetricFamily(f"dayroll_{name}", said, value=value)


def _machines() -> Iterator[Metric]:
    now = wiring.now()
    counts = machine_counts(now, now - wiring.silent_after())
    said = "Machines by state. One that is on a run and heard counts as printing while it rests or is late, too."
    yield _gauges("machines", said, "state", counts.by_state)
    yield _gauge("machines_heard", "Machines whose node was heard no longer ago than one may be silent.", counts.heard)
    outages, notices = Outage.objects.filter(true_again_at=None), Notice.objects.filter(cleared_at=None)
    yield _gauge("outages_open", "Outages after which a machine is not true to the sky yet.", outages.count())
    yield _gauge("notices_open", "Notices that are not cleared.", notices.count())


def _plans() -> Iterator[Metric]:
    try:
        short = len(runs_due(wiring.now(), SHORT_PLAN))
    except ViewsSetAside:
        short = 0  # which views_set_aside says
    yield _gauge("runs_planned_short", "Runs whose plan ends within a day, though the run does not.", short)
    tallies = {row.name: row for row in Tally.objects.all()}
    drawn = tallies.get(PLATES, Tally())
    yield _counter("plates_drawn", "Plates that any process drew and kept.", drawn.times)
    yield _counter("drawing_seconds", "Time that drawing and keeping them took, in all processes.", drawn.seconds)
    failures = CounterMetricFamily(
        "dayroll_job_failures", "Times that own work failed, in any process.", labels=["work"]
    )
    for name in TASKS:
        failures.add_metric([name], tallies.get(FAILED + name, Tally()).times)
    yield failures


def _work() -> Iterator[Metric]:
    now = wiring.really_now()
    ages, late, every_s = {}, {}, {}
    for name, one, period, allowed in stands():
        ages[name] = (now - one.since).total_seconds()
        late[name] = float(one.is_late(allowed, now))
        every_s[name] = period.total_seconds()
    said = "Time since the server's own work last went well, or was first expected."
    yield _gauges("job_success_age_seconds", said, "work", ages)
    yield _gauges("job_late", "1 where that is longer than it may be.", "work", late)
    yield _gauges("job_every_seconds", "How often it is to be done.", "work", every_s)


def _telling() -> Iterator[Metric]:
    counts, now = message_counts(), wiring.now()
    yield _gauge("messages_waiting", "Messages to be sent.", counts.waiting)
    yield _gauge("messages_troubled", "Messages to be sent whose newest try failed.", counts.troubled)
    yield _gauge("messages_failed", "Messages given up, of those that are kept.", counts.failed)
    oldest_s = 0.0 if counts.oldest is None else max(0.0, (now - counts.oldest).total_seconds())
    yield _gauge("messages_oldest_seconds", "Age of the message that waits longest; 0 for none.", oldest_s)
    yield _gauges("matters_open", "Matters of which people are told, by kind.", "kind", open_matters())


def _store() -> Iterator[Metric]:
    yield _gauge("log_position", "Position of the newest event of the log.", last_position())
    yield _gauge("views_set_aside", "Views that stand still, as their fold failed.", BrokenView.objects.count())
    yield _gauge("database_bytes", "Size of the database.", database_bytes())
    if (room := wiring.free_room()) is not None:
        yield _gauge("disk_free_bytes", "Free room on the disk that this process writes on.", room)


def database_bytes() -> int:
    """Size of the database as it lies on its disk, octets."""
    size = "pg_database_size(current_database())"
    if connection.vendor == "sqlite":
        size = "(SELECT page_count FROM pragma_page_count) * (SELECT page_size FROM pragma_page_size)"
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT {size}")
        return int(cursor.fetchone()[0])
