"""What is kept beside the log: memory, telemetry, what is of people; no facts. Only this room writes its tables, these
too."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

from django.db import connection

from scheduling.log.codec.canonical_json import canonical
from scheduling.log.models import ClockSample, Contacts, GivenCommand, OwnWork

_HEARD = """INSERT INTO log_heartbeat (machine_id, heard_at, status) VALUES (%s, %s, %s)
    ON CONFLICT (machine_id) DO UPDATE SET heard_at = excluded.heard_at"""
# So begins the name, among the server's own work, of a run that could not be planned; its id stands behind.
UNPLANNED = "plan-run "
# That of whoever listens to boards: it is done as long as somebody does.
LISTENS = "listen"
_TOLD = f"{_HEARD}, status = excluded.status"


def keep_command(stream: str, actor: str, digest: str) -> None:
    """Remember by whose command a stream was begun, in place of what was remembered of it."""
    kept = GivenCommand(stream=stream, actor=actor, digest=digest)
    GivenCommand.objects.bulk_create(
        [kept], update_conflicts=True, unique_fields=["stream"], update_fields=["actor", "digest"]
    )


def keep_contacts(venue: str, said: Any) -> None:
    """Keep whom to ring about a venue's machines, in place of whom one was to ring before; as JSON."""
    Contacts.objects.update_or_create(venue=venue, defaults={"said": said})


def keep_heartbeat(machine: str, heard_at: datetime, status: dict[str, Any] | None) -> None:
    """Keep when a machine's node was heard, and what it said of itself; where it said nothing, what it said last.

    Raises:
        OperationalError: it cannot be written now.
    """
    at = connection.ops.adapt_datetimefield_value(heard_at)
    with connection.cursor() as cursor:
        cursor.execute(_HEARD if status is None else _TOLD, (machine, at, canonical(status or {})))


def keep_clock_samples(samples: Sequence[ClockSample], before: datetime) -> None:
    """Keep how surely boards knew the time, and let go of what was kept of before an instant."""
    ClockSample.objects.bulk_create(samples, ignore_conflicts=True)
    let_go(ClockSample.objects.filter(at__lt=before))


def let_go(rows: Any) -> None:
    """Delete rows that a query finds. Where there are none, nothing is written: jobs ask it every half a minute, and
    each write takes the database for itself."""
    if rows.exists():
        rows.delete()


def expect_own_work(names: Sequence[str], now: datetime, anew: bool) -> None:
    """Keep that work of the server's own is expected from now on; where not anew, only what was not expected before."""
    known = set() if anew else set(OwnWork.objects.filter(name__in=names).values_list("name", flat=True))
    rows = [OwnWork(name=name, expected_since=now) for name in names if name not in known]
    OwnWork.objects.bulk_create(rows, update_conflicts=True, unique_fields=["name"], update_fields=["expected_since"])


def keep_listening(now: datetime, pause: timedelta) -> timedelta | None:
    """Keep that somebody listens to boards now, and since now, where nobody did for longer than a pause.

    Returns:
        for how long nobody said so before; None where nobody ever did, or the clock was set back.
    """
    kept = OwnWork.objects.filter(name=LISTENS).first()
    away = None if kept is None or kept.done_at is None or kept.done_at > now else now - kept.done_at
    since = now if kept is None or away is None or away > pause else kept.expected_since
    OwnWork.objects.update_or_create(name=LISTENS, defaults={"expected_since": since, "done_at": now})
    return away


def keep_own_work(name: str, now: datetime) -> None:
    """Keep that some of the server's own work went well."""
    OwnWork.objects.update_or_create(
        name=name, defaults={"done_at": now}, create_defaults={"expected_since": now, "done_at": now}
    )


def forget_own_work(name: str) -> None:
    """Expect some work no longer."""
    let_go(OwnWork.objects.filter(name=name))


def keep_unplanned(run: str, now: datetime) -> None:
    """Keep since when a run cannot be planned."""
    OwnWork.objects.bulk_create([OwnWork(name=UNPLANNED + run, expected_since=now)], ignore_conflicts=True)


def keep_planned(run: str) -> None:
    """Keep that a run can be planned."""
    kept = OwnWork.objects.filter(name=UNPLANNED + run)
    if kept.exists():  # seldom, and most of the time nothing is to be written
        kept.delete()
