"""The composition root: the one place where the server takes clock, chance, plates and intervals from outside.

Everything else in `server` asks here, and hands what it got down to `scheduling`.
"""

from __future__ import annotations

import os
import shutil
from datetime import datetime, timedelta
from functools import cache

from django.conf import settings
from django.core.files.storage import storages

from machines.chance import SYSTEM, Chance
from machines.clock import Clock, SystemClock, true_clock, utc
from scheduling.rendering.kept_files import KeptFiles
from scheduling.rendering.plate_store import PlateStore
from scheduling.rendering.upload_store import UploadStore


@cache
def clock() -> Clock:
    """The process's clock, as ``DAYROLL_CLOCK`` names it."""
    return true_clock(os.environ)


def now() -> datetime:
    """This instant by the process's clock, UTC."""
    return utc(clock().now())


def really_now() -> datetime:
    """This instant by the system's own clock, UTC: for what is of processes and not of machines."""
    return utc(SystemClock().now())


def chance() -> Chance:
    """Where tokens, codes and numbers of requests come from."""
    return SYSTEM


@cache
def plates() -> PlateStore:
    """Where the plates lie."""
    return PlateStore(_files("plates"))


@cache
def uploads() -> UploadStore:
    """Where the files of sources lie."""
    return UploadStore(_files("uploads"))


def _files(name: str) -> KeptFiles:
    """Of Django's ``STORAGES``."""
    found = storages[name]
    assert isinstance(found, KeptFiles)
    return found


def free_room() -> int | None:
    """Octets of free room on the disk that the server writes on; None where that cannot be told."""
    try:
        return shutil.disk_usage(settings.HOME).free
    except OSError:
        return None


def horizon() -> timedelta:
    """How far ahead runs are planned and plates drawn."""
    return timedelta(hours=settings.HORIZON_H)


def silent_after() -> timedelta:
    """How long a node may be silent before a watch opens."""
    return timedelta(seconds=settings.SILENT_AFTER_S)


def poll_after_s() -> float:
    """How long a node may wait at most before it asks for work again, seconds."""
    return float(settings.POLL_AFTER_S)
