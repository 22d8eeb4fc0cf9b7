"""What the studio changes while the day passes, as people do: looked at first, then said with what was seen."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from machines.serialization import format_instant, parse_instant
from server.demo import scenario
from server.demo.processes import DemoError, Studio

# Something can come up between a look and the word, once or twice.
LOOKED_AT_MOST = 3


@dataclass(frozen=True, kw_only=True)
class Moved:
    """An opening that was moved.

    Attributes:
        seen: what was told before it was.
        before, after: the opening, as the API showed it.
        feed_before, feed_after: its venue's calendar, without the sky.
        late: status of an order by whoever had seen it as it was before.
    """

    seen: dict[str, Any]
    before: dict[str, Any]
    after: dict[str, Any]
    feed_before: bytes
    feed_after: bytes
    late: int


@dataclass(frozen=True, kw_only=True)
class Ended:
    """A run that was ended while its board had no network.

    Attributes:
        seen: what was told before it was.
        said: the run, as the API showed it then.
        at: when it was said, UTC.
    """

    seen: dict[str, Any]
    said: dict[str, Any]
    at: datetime


@dataclass(frozen=True, kw_only=True)
class Followed:
    """A run that is followed by another from a column on.

    Attributes:
        seen: what was told before it was.
        run: id of the other.
    """

    seen: dict[str, Any]
    run: str


def move_opening(studio: Studio) -> Moved:
    """The opening of the scenario moves; somebody who has not heard of that tries to name it otherwise."""
    path, moves = f"openings/{scenario.CHANGES.opening}", scenario.CHANGES.moves
    before, stale = studio.get(path), studio.tag(path)
    feed_before = calendar(studio, before["venue"])
    seen, after = change(studio, "PATCH", path, path, {"anchor": moves, "reason": "the first ferry is late"})
    late, _ = studio.call("PATCH", path, {"name": "Early doors"}, tag=stale)
    return Moved(
        seen=seen,
        before=before,
        after=after,
        feed_before=feed_before,
        feed_after=calendar(studio, before["venue"]),
        late=late,
    )


def end_run(studio: Studio, run: str) -> Ended:
    """A run ends now, at the next burst."""
    order = {"boundary": "burst", "reason": "the room is needed"}
    seen, said = change(studio, "POST", f"runs/{run}", f"runs/{run}/end", order)
    return Ended(seen=seen, said=said, at=parse_instant(said["ended_at"]))


def follow_run(studio: Studio, run: str, at: datetime) -> Followed:
    """Another picture follows on the machine from a column on, without a gap."""
    order = {"id": f"{run}-north", "source": scenario.CHANGES.source, "at": format_instant(at), "boundary": "burst"}
    seen, _ = change(studio, "POST", f"runs/{run}", f"runs/{run}/succeed", order)
    return Followed(seen=seen, run=order["id"])


def calendar(studio: Studio, venue: str) -> bytes:
    """A venue's feed, without events of the sky."""
    return studio.raw(f"venues/{venue}/calendar.ics?sky=")


def change(studio: Studio, method: str, resource: str, path: str, order: Any) -> tuple[dict[str, Any], dict[str, Any]]:
    """What a change of a resource would do, and the resource once it is made: only what was seen is meant.

    Raises:
        DemoError: the server refuses.
    """
    for _ in range(LOOKED_AT_MOST):
        tag = studio.tag(resource)
        status, told = studio.call(method, f"{path}?preview=true", order, tag=tag)
        if status != 200:
            break
        seen = told
        kinds = ",".join(one["kind"] for one in seen["warnings"])
        status, told = studio.call(method, f"{path}?accept={kinds}" if kinds else path, order, tag=tag)
        if status == 200:
            return seen, told
        if status not in (409, 412):
            break
    raise DemoError(f"the server refused {method} {path} with {status}: {told}")
