"""Silence: no word from a node that has work, or never one. It opens a watch, never a gap: the machine may be printing
on."""

from __future__ import annotations

from datetime import datetime, timedelta

from django.db import DEFAULT_DB_ALIAS

from scheduling.log.events import Event
from scheduling.log.events.server import NeverHeard, SilenceBegan, SilenceEnded
from scheduling.log.models import Heartbeat, Machine
from scheduling.log.projecting.projector import require_views
from scheduling.log.rows.row_sql import table
from scheduling.log.store import Append, Attribution, VersionConflict, append, stream_version
from scheduling.queries.runs import current_run

WATCH = "watch"


def watch_silence(now: datetime, silent_after: timedelta, listens_since: datetime | None = None) -> int:
    """Begin or end the silence of each machine, and return how many changed.

    Args:
        now: this instant, UTC.
        silent_after: for how long a node may say nothing.
        listens_since: when the server came back itself, UTC: nobody is silent because there was nobody to hear it.
            None where that is not known.

    Two watches at once are harmless: the second loses the race on the machine's stream and leaves it at that.

    Raises:
        ViewsSetAside: a silence that begins would not show, and begin for ever.
    """
    require_views("machines", "notices", "runs")
    may_begin = listens_since is None or now - listens_since > silent_after
    heard = dict(Heartbeat.objects.values_list("machine_id", "heard_at"))
    machines: list[Machine] = table(Machine, DEFAULT_DB_ALIAS).where("TRUE ORDER BY id")
    changing = [one.id for one in machines if _may_change(one, heard.get(one.id), now, silent_after, may_begin)]
    return sum(_watch(id, heard.get(id), now, silent_after) for id in changing)


def _may_change(
    machine: Machine, heard_at: datetime | None, now: datetime, silent_after: timedelta, may_begin: bool
) -> bool:
    """Whether a machine has to be looked at more closely; most are heard, and known to be."""
    heard_at = heard_at or machine.last_reported_at
    is_quiet = heard_at is None or now - heard_at > silent_after
    return is_quiet != (machine.silent_since is not None) and (may_begin or not is_quiet)


def _watch(id: str, heard_at: datetime | None, now: datetime, silent_after: timedelta) -> bool:
    stream = f"machine/{id}"
    version = stream_version(stream)
    machine = Machine.objects.get(id=id)
    heard_at = heard_at or machine.last_reported_at  # the polls are not in the log: a server put back has lost them
    if heard_at is None:
        change = _never_heard(machine, now, silent_after)
    else:
        change = _change(machine, heard_at, now, silent_after)
    if change is None:
        return False
    try:
        append([Append(stream, version, [change])], Attribution(actor=WATCH, request=None, said_at=now))
    except VersionConflict:
        return False
    return True


def _never_heard(machine: Machine, now: datetime, silent_after: timedelta) -> Event | None:
    """A run is due for longer than agreed, and nobody was ever heard."""
    run = None if machine.silent_since is not None else current_run(machine=machine.id, before=now)
    if run is None or not run.starts_at < now - silent_after:
        return None
    return NeverHeard(due_since=run.starts_at, is_enrolled=machine.epoch > 0)


def _change(machine: Machine, heard_at: datetime, now: datetime, silent_after: timedelta) -> Event | None:
    quiet = now - heard_at > silent_after
    if quiet and machine.silent_since is None and current_run(machine=machine.id, before=now) is not None:
        return SilenceBegan(last_heard_at=heard_at)
    if not quiet and machine.silent_since is not None:
        return SilenceEnded(silent_s=(heard_at - machine.silent_since).total_seconds())
    return None
