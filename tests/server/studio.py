"""A small studio of our own invention, and a way to talk to the API as one of its people or as a node."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from django.http import HttpResponse
from django.test import Client

from machines.protocol.messages import Work
from tests.server.declared_answers import declared

BEGINS = datetime(2026, 3, 20, 6, 0, tzinfo=UTC)

VENUE = {
    "id": "quay",
    "name": "Quay House",
    "latitude_degrees": 38.71,
    "longitude_degrees": -9.14,
    "elevation_m": 12.0,
    "zone": "Europe/Lisbon",
}
FAR_VENUE = {
    "id": "shed",
    "name": "The Boat Shed",
    "latitude_degrees": -43.95,
    "longitude_degrees": -176.56,
    "zone": "Pacific/Chatham",
}
PROFILE = {
    "id": "wren",
    "profile": {
        "name": "Wren",
        "columns_per_turn": 360,
        "mm_per_turn": 120.0,
        "dots_across": 96,
        "print_width_mm": 40.0,
        "highest_mm_per_hour": 30.0,
        "head": {"kind": "line", "dot_current_a": 0.03, "supply_current_a": 2.0, "strobe_s": 0.002},
        "media": {"width_mm": 50.0, "caliper_mm": 0.08, "roll_m": 30.0},
        "knife": {"head_to_knife_mm": 20.0, "cuts_per_blade": 1000},
    },
}
MACHINE = {"id": "wren-1", "name": "Wren 1", "venue": "quay", "profile": "wren"}
SOURCE = {
    "id": "land",
    "name": "Land",
    "picture": {"kind": "map", "data": "land-110m", "projection": "equirectangular"},
}
RUN = {
    "id": "spring",
    "machine": "wren-1",
    "source": "land",
    "cycle": "mean-solar-day",
    "segments_per_turn": 24,
    "strips_per_turn": 4,
    "starts_at": "2026-03-20T12:00:00.000000Z",
    "ends_at": "2026-03-23T12:00:00.000000Z",
    "policy": {"kind": "skip"},
}
OPENING = {
    "id": "first-night",
    "venue": "quay",
    "name": "First night",
    "anchor": {"civil": "2026-03-21T19:00", "zone": "Europe/Lisbon"},
}
SERIES = {
    "id": "sundays",
    "name": "Sunday evening",
    "venues": ["quay"],
    "anchor": {"civil": "2026-03-22T19:00:00", "zone": "Europe/Lisbon"},
    "closing": {"duration": "PT2H"},
    "rule": "FREQ=WEEKLY;COUNT=4",
    "dates_off": ["2026-04-05"],
}
SERVICE_WINDOW = {
    "id": "rounds",
    "venue": "quay",
    "name": "Tuesday rounds",
    "comes": {"kind": "weekly", "weekday": "tuesday", "begins": "10:00", "ends": "11:30", "last_date": "2026-12-24"},
}
IN_ORDER = (
    ("venues", VENUE),
    ("profiles", PROFILE),
    ("machines", MACHINE),
    ("sources", SOURCE),
    ("runs", RUN),
    ("openings", OPENING),
)


@dataclass
class HeldClock:
    """A clock that a test moves by hand."""

    at: datetime = BEGINS

    def now(self) -> float:
        """The instant that it is held at, POSIX seconds."""
        return self.at.timestamp()

    def elapsed(self) -> float:
        """Seconds since the beginning."""
        return (self.at - BEGINS).total_seconds()

    def real_s(self, seconds: float) -> float:
        return seconds

    def sleep(self, seconds: float) -> None:
        """Go on by so much at once."""
        self.at += timedelta(seconds=max(0.0, seconds))


@dataclass
class Caller:
    """Somebody with a token, or nobody."""

    token: str | None = None

    def get(self, path: str, **headers: str) -> HttpResponse:
        """``path`` is below ``/api/v1/``; a header ``If-None-Match`` is written ``HTTP_IF_NONE_MATCH``."""
        return declared("GET", path, self._client().get(f"/api/v1/{path}", **headers))

    def post(self, path: str, body: Any = None, **options: Any) -> HttpResponse:
        """JSON, unless the body is bytes already."""
        data = body if isinstance(body, bytes) else json.dumps(body)
        answer = self._client().post(f"/api/v1/{path}", data, **{"content_type": "application/json", **options})
        return declared("POST", path, answer)

    def put(self, path: str, body: Any, **headers: str) -> HttpResponse:
        """JSON, in place of what stands there now, whatever that is."""
        tag = self.get(path.partition("?")[0]).headers.get("ETag")
        match = {"HTTP_IF_MATCH": tag} if tag else {}
        return self.other("PUT", path, data=json.dumps(body), content_type="application/json", **match | headers)

    def other(self, method: str, path: str, **options: Any) -> HttpResponse:
        """Any other method."""
        return declared(method, path, self._client().generic(method, f"/api/v1/{path}", **options))

    def create(self, resource: str, body: Any) -> Any:
        """Add one, which must succeed."""
        response = self.post(resource, body)
        assert response.status_code == 201, response.content
        return response.json()

    def _client(self) -> Client:
        headers = {} if self.token is None else {"Authorization": f"Bearer {self.token}"}
        return Client(headers=headers)


def changed(body: dict[str, Any], path: str, value: Any) -> dict[str, Any]:
    """A copy of a body with another value at a dotted path; ``...`` takes the field out."""
    copy: dict[str, Any] = json.loads(json.dumps(body))
    *parents, last = path.split(".")
    inner = copy
    for parent in parents:
        inner = inner[parent]
    if value is ...:
        del inner[last]
    else:
        inner[last] = value
    return copy


def printed(work: Work, seq: int) -> dict[str, Any]:
    """A report of the whole of a segment of the work; the first one has the sequence number 1."""
    segment = work.segments[seq - 1]
    assert work.run is not None
    return {
        "kind": "columns-printed",
        "seq": seq,
        "at": segment.knots[-1].isoformat(),
        "run": work.run.id,
        "segment": segment.number,
        "columns": {"first": segment.first_column, "end": segment.end_column},
        "columns_done": segment.end_column - segment.first_column,
        "paper_position": segment.first_column - work.run.first_column,
        "worst_miss_s": 0.25,
    }
