"""Which streams `dayroll log close` takes: those that nobody else stands on, and no board tells of any more."""

from __future__ import annotations

from collections.abc import Sequence

from machines.errors import InputError
from scheduling.log.models import Machine
from scheduling.queries.still_named import still_named
from server.accounts.models import NodeCredential

# So many of those that name a stream are told; the others are counted.
TOLD = 5


def require_closable(streams: Sequence[str]) -> None:
    """See that what remains can be shown without some streams.

    Raises:
        InputError: others name them, or a board of a machine may still come in.
    """
    named = still_named(streams)
    if named:
        said = "; ".join(f"{stream} is still named by {_counted(by)}" for stream, by in named.items())
        raise InputError("stream", said, "close those with it once they are over, or leave it in the log")
    ids = [stream.removeprefix("machine/") for stream in streams if stream.startswith("machine/")]
    for machine in Machine.objects.filter(id__in=ids).order_by("id"):
        if NodeCredential.objects.filter(machine=machine.id, epoch=machine.epoch, revoked_at=None).exists():
            remedy = f"shut it out first: `dayroll node revoke {machine.id}`"
            raise InputError("stream", f"the board of machine/{machine.id} may come in yet", remedy)


def _counted(by: Sequence[str]) -> str:
    told, others = by[:TOLD], len(by) - TOLD
    if others > 0:
        return f"{', '.join(told)} and {others} others"
    return " and ".join([", ".join(told[:-1]), told[-1]] if len(told) > 1 else told)
