"""Silence: no word from a node that has work. It opens a watch, never a gap: the machine may be printing on."""

from __future__ import annotations

from datetime import datetime, timedelta

from scheduling.log.events import Event, SilenceBegan, SilenceEnded
from scheduling.log.folding import require_views
from scheduling.log.models import Heartbeat, Machine
from scheduling.log.store import Append, Attribution, LostRace, append, stream_version
from scheduling.selectors import current_run

WATCH = "watch"


def watch_silence(now: datetime, silent_after: timedelta) -> int:
    """Begin or end the silence of each machine, and return how many changed.

    Two watches at once are harmless: the second loses the race on the machine's stream and leaves it at that.

    Raises:
        ViewsSetAside: a silence that begins would not show, and begin for ever.
    """
    require_views("machines", "notices", "runs")
    return sum(_watch(beat, now, silent_after) for beat in Heartbeat.objects.all())


def _watch(beat: Heartbeat, now: datetime, silent_after: timedelta) -> bool:
    stream = f"machine/{beat.machine_id}"
    version = stream_version(stream)
    machine = Machine.objects.get(id=beat.machine_id)
    change = _change(machine, beat.heard_at, now, silent_after)
    if change is None:
        return False
    try:
        append([Append(stream, version, [change])], Attribution(actor=WATCH, request=None, said_at=now))
    except LostRace:
        return False
    return True


def _change(machine: Machine, heard_at: datetime, now: datetime, silent_after: timedelta) -> Event | None:
    quiet = now - heard_at > silent_after
    if quiet and machine.silent_since is None and current_run(machine=machine.id, before=now) is not None:
        return SilenceBegan(last_heard_at=heard_at)
    if not quiet and machine.silent_since is not None:
        return SilenceEnded(silent_s=(heard_at - machine.silent_since).total_seconds())
    return None
