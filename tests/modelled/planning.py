"""Runs of even columns, as a model of the server plans them; and the dots that they print."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Mapping
from datetime import datetime
from functools import cache
from typing import Any

import numpy as np

from machines.clock import utc
from machines.imaging.plate import Plate
from machines.model.profile import Profile
from machines.protocol.messages import RunWork, SegmentWork
from machines.recovery import Policy
from machines.serialization import parse_instant, structure
from tests.faults.furniture import PROFILES
from tests.modelled.known import Planned

# Mean turns, seconds; the model's sky is even.
TURNS_S: Mapping[str, float] = {"period": 86400.0, "sidereal-day": 86164.0905, "lunar-day": 89428.33}
EPOCH = parse_instant("2026-01-01T00:00:00Z").timestamp()
SEGMENTS_PER_TURN, KNOTS, NOZZLE_SEED = 96, 3, 5


@cache
def profile_named(name: str) -> Profile:
    """A model of machine of the fault runs."""
    return structure(PROFILES[name], Profile)


@cache
def plate() -> Plate:
    """A turn of dots in which every column differs from every other; both machines have heads of one size."""
    profile = profile_named("crawl")
    return Plate(np.random.default_rng(1).random((profile.dots_across, profile.columns_per_turn)) < 0.4)


@cache
def plates() -> dict[str, bytes]:
    """Digest to PNG."""
    return {plate().digest: _plain_png(plate())}


def _plain_png(plate: Plate) -> bytes:
    """Without filters, which take longer to undo than all else that is done with it."""
    dots = np.packbits(~plate.dots, axis=1)
    rows = np.pad(dots, ((0, 0), (1, 0))).tobytes()
    head = struct.pack(">IIBBBBB", plate.columns, len(dots), 1, 0, 0, 0, 0)
    chunks = ((b"IHDR", head), (b"IDAT", zlib.compress(rows)), (b"IEND", b""))
    said = (
        struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data)) for name, data in chunks
    )
    return b"\x89PNG\r\n\x1a\n" + b"".join(said)


def planned(body: Mapping[str, Any], profile: Profile) -> Planned:
    """What the API takes as the order of a run, planned whole."""
    turn_s, columns = TURNS_S[body["cycle"]], profile.columns_per_turn
    starts_at, ends_at = parse_instant(body["starts_at"]), parse_instant(body["ends_at"])
    first, end = (-int((EPOCH - at.timestamp()) * columns // turn_s) for at in (starts_at, ends_at))
    work = RunWork(
        id=body["id"],
        first_column=first,
        end_column=end,
        strips_per_turn=body["strips_per_turn"],
        nozzle_seed=NOZZLE_SEED,
        mean_turn_s=turn_s,
    )
    segments = [
        _segment(number, max(begin, first), min(stop, end), turn_s / columns)
        for number, begin, stop in _bounds(first, end, columns)
        if max(begin, first) < min(stop, end)
    ]
    return Planned(work, structure(body["policy"], Policy), segments, starts_at)


def _bounds(first: int, end: int, columns: int) -> list[tuple[int, int, int]]:
    """Numbers and columns of all segments that a stretch may touch."""
    per_turn = SEGMENTS_PER_TURN
    numbers = range(first * per_turn // columns - 1, end * per_turn // columns + 2)
    return [(number, _bound(number, columns), _bound(number + 1, columns)) for number in numbers]


def _bound(number: int, columns: int) -> int:
    turn, slot = divmod(number, SEGMENTS_PER_TURN)
    return turn * columns + (2 * slot * columns + SEGMENTS_PER_TURN) // (2 * SEGMENTS_PER_TURN)


def _segment(number: int, first: int, end: int, column_s: float) -> SegmentWork:
    knots = tuple(_instant(place, column_s) for place in np.linspace(first, end, KNOTS).tolist())
    return SegmentWork(number=number, first_column=first, end_column=end, plate=plate().digest, knots=knots)


def _instant(column: float, column_s: float) -> datetime:
    return utc(EPOCH + column * column_s)
