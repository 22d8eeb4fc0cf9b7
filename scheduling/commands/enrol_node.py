"""A board takes over a machine."""

from __future__ import annotations

from scheduling.log.events.server import NodeEnrolled
from scheduling.log.models import Machine
from scheduling.log.store import Append, Attribution, append, stream_version


def enrol(machine: str, by: Attribution) -> int:
    """Give the machine a new epoch, which fences off every earlier board, and return it.

    Raises:
        VersionConflict: another enrolment of the same machine came first.
    """
    stream = f"machine/{machine}"
    version = stream_version(stream)
    epoch = Machine.objects.get(id=machine).epoch + 1
    append([Append(stream, version, [NodeEnrolled(epoch=epoch)])], by)
    return epoch
