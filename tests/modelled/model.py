"""A model of the server in plain values, as a node sees it: its calls, without the framework and without a database."""

from __future__ import annotations

import hashlib
import json
import pickle
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

import urllib3

from machines.clock import Clock, utc
from machines.errors import InputError
from machines.protocol.messages import NextRun, RunWork, SegmentWork, Work
from machines.recovery import Span
from machines.serialization import format_instant, unstructure
from scheduling.nodes.pace import paced_s
from scheduling.nodes.received_entries import read_batch
from scheduling.sky.durations import parse_duration
from tests.faults.relay import Answer
from tests.modelled import words
from tests.modelled.folded import account
from tests.modelled.known import Known, Planned
from tests.modelled.taking import Refusal, earlier, take
from tests.simulated.world import Crash, Fuse, World

API = "/api/v1/"
# A process that is killed is so within so many virtual seconds, where it writes if it does.
KILLED_WITHIN_S = 600.0

Offer = tuple[Planned | None, list[SegmentWork], tuple[Span, ...], NextRun | None]


def never_closed(start: datetime, end: datetime) -> tuple[Span, ...]:
    """Of a venue without hours."""
    return ()


class NotKnown(Exception):
    """No board has such a token."""


@dataclass
class ModelServer:
    """The server's process, as `tests.simulated.served.Served` is.

    Attributes:
        world: in which it lives.
        clock: its own, which may be wrong.
        known: all that it knows.
        plates: digest to PNG.
        poll_after_s: the longest that nodes are told, seconds.
        closed: when the venue is closed, between two instants.
        fuse: burns before and after each change.
        process: is not None while it runs.
        minted: tokens so far, which a copy that is put back does not undo.
    """

    world: World
    clock: Clock
    known: Known
    plates: Mapping[str, bytes]
    poll_after_s: float
    closed: Callable[[datetime, datetime], tuple[Span, ...]] = never_closed
    fuse: Fuse = field(default_factory=Fuse)
    process: object | None = None
    minted: int = 0
    _work: tuple[Any, bytes, str] | None = None

    def start(self) -> None:
        """As a new process."""
        self.process = object()

    def kill(self, places: int = 0) -> None:
        """End it without warning: at once, or where it writes in the next minutes.

        Args:
            places: where the power may go, that are passed before.
        """
        if self.process is not None and places:
            self.fuse.left = places
            self.world.run(self.world.now + KILLED_WITHIN_S, lambda: self.process is None)
        self.fuse.left, self.process = None, None

    stop = kill

    def copy(self) -> bytes:
        """All that it knows."""
        return pickle.dumps(self.known)

    def put_back(self, copy: bytes) -> None:
        """Know what a copy knows, and no more."""
        self.known, self._work = pickle.loads(copy), None

    def call(self, method: str, path: str, body: bytes, headers: Mapping[str, str]) -> Answer:
        """An answer.

        Raises:
            ProtocolError: the process is not there, or died on the way.
        """
        if self.process is None:
            raise urllib3.exceptions.ProtocolError("refused", ConnectionRefusedError())
        try:
            return self._answer(method, path.removeprefix(API), body, headers)
        except Crash:
            self.process = None
            raise urllib3.exceptions.ProtocolError("the connection was reset", ConnectionResetError()) from None

    def _answer(self, method: str, path: str, body: bytes, headers: Mapping[str, str]) -> Answer:
        received = self.now()
        try:
            if path == "node/enrol":
                return _json(200, self.enrol(json.loads(body)["code"]))
            self._require_node(headers)
            path, _, query = path.partition("?")
            if path == "node/clock":
                return _json(200, {"received_at": format_instant(received), "sent_at": format_instant(self.now())})
            if path == "node/work":
                return self._offer(parse_duration(query.removeprefix("horizon=")), headers.get("If-None-Match"))
            if path == "node/reports":
                return _json(200, {"accepted_through": self._hear(json.loads(body))})
            return self._plate(path.removeprefix("plates/").removesuffix(".png"))
        except Refusal as refusal:
            return _problem(409, f"/api/v1/problems/{refusal.slug}", str(refusal), **refusal.members)
        except NotKnown:
            return _problem(401, "about:blank", "This token is not good; enrol the board again.")
        except InputError as error:
            return _problem(422, "/api/v1/problems/bad-input", str(error))

    def plan(self, run: Planned) -> None:
        """A run; what was told of it before counts now."""
        self.known.runs[run.work.id] = run
        for entry in self.known.told_before.pop(run.work.id, ()):
            account(run, entry)
        self.known.changes += 1

    def now(self) -> datetime:
        """By its clock, to the microsecond."""
        return utc(self.clock.now())

    def _require_node(self, headers: Mapping[str, str]) -> None:
        epoch = self.known.tokens.get(headers.get("Authorization", "").removeprefix("Bearer "))
        if epoch is None:
            raise NotKnown
        if epoch != self.known.epoch:
            raise Refusal("stale-epoch", epoch=epoch, current=self.known.epoch)

    def enrol(self, code: str) -> dict[str, Any]:
        """A board takes over.

        Raises:
            InputError: the code is none.
        """
        known = self.known
        if code not in known.codes:
            raise InputError("code", "not a code of this server", "ask for a new one")
        self.fuse.burn()
        known.codes.remove(code)
        known.epoch, self.minted = known.epoch + 1, self.minted + 1
        token = f"node_{known.machine}_{self.minted}"
        known.tokens[token] = known.epoch
        known.taken, known.hold, known.held_since = [], "", None
        known.conditions, known.knife_armed = [], False
        known.write("node-enrolled", epoch=known.epoch)
        known.changes += 1
        self.fuse.burn()
        said = {"token": token, "machine": known.machine, "epoch": known.epoch, "paper_position": known.fed}
        return said | {"earlier": [unstructure(one) for one in earlier(known)]}

    def _hear(self, data: Any) -> int:
        self.fuse.burn()
        through = take(self.known, read_batch(data), self.now())
        self.known.heard_at = self.now()
        self.fuse.burn()
        return through

    def _offer(self, horizon: timedelta, etag: str | None) -> Answer:
        body, now_etag = self.work(horizon)
        self.known.heard_at = self.now()
        if etag == now_etag:
            return Answer(304, [("ETag", now_etag)], b"")
        return _send(200, body, ("Content-Type", "application/json"), ("ETag", now_etag))

    def work(self, horizon: timedelta) -> tuple[bytes, str]:
        """What the node should hold, and its tag; the same as before where nothing changed."""
        run, segments, closed, following = offer = self._offered(horizon)
        key = (self.known.changes, None if run is None else run.work.id, len(segments), closed, following)
        if self._work is None or self._work[0] != key:
            body = json.dumps(self._said(offer).as_json(), sort_keys=True).encode()
            self._work = (key, body, f'"{hashlib.sha256(body).hexdigest()}"')
        return self._work[1:]

    def _offered(self, horizon: timedelta) -> Offer:
        now = self.now()
        run, then = (*self.known.to_come(now + horizon), None, None)[:2]
        if run is None:
            return None, [], (), None
        start, last = (one.replace(hour=0, minute=0, second=0, microsecond=0) for one in (now, now + horizon))
        closed = self.closed(start, last + timedelta(days=1))
        return run, _open(run, now + horizon), closed, None if then is None else _next_run(then, now + horizon)

    def _said(self, offer: Offer) -> Work:
        run, segments, closed, following = offer
        needed = (*segments, *(() if following is None else following.segments))
        return Work(
            epoch=self.known.epoch,
            run=None if run is None else _run_work(run, segments),
            policy=None if run is None else run.policy,
            profile=self.known.profile,
            plates=tuple(dict.fromkeys(segment.plate for segment in needed)),
            segments=tuple(segments),
            poll_after_s=paced_s(self.poll_after_s, self.known.machine, self.known.epoch),
            override=None if run is None else words.standing(self.known, run),
            closed=closed,
            following=following,
        )

    def _plate(self, digest: str) -> Answer:
        if not any(digest == one.plate for run in self.known.runs.values() for one in run.segments):
            return _problem(404, "about:blank", f"There is no plate {digest}.")
        return _send(200, self.plates[digest], ("Content-Type", "image/png"), ("ETag", f'"{digest}"'))


def _open(run: Planned, until: datetime) -> list[SegmentWork]:
    return [one for one in run.segments if run.is_open(one) and run.begins(one) < until]


def _next_run(run: Planned, until: datetime) -> NextRun | None:
    segments = _open(run, until)
    return NextRun(run=_run_work(run, segments), policy=run.policy, segments=tuple(segments)) if segments else None


def _run_work(run: Planned, offered: list[SegmentWork]) -> RunWork:
    return RunWork(
        **vars(run.work)
        | {
            "first_unaccounted": next(run.due_of(offered[0]), None) if offered else None,
            "shift_s": sum(shift_s for _, shift_s in run.shifts),
        }
    )


def _json(status: int, data: Any) -> Answer:
    return _send(status, json.dumps(data).encode(), ("Content-Type", "application/json"))


def _problem(status: int, type: str, detail: str, **members: int) -> Answer:
    problem = {"type": type, "title": detail, "status": status, "detail": detail, **members}
    return _send(status, json.dumps(problem).encode(), ("Content-Type", "application/problem+json"))


def _send(status: int, body: bytes, *headers: tuple[str, str]) -> Answer:
    return Answer(status, [*headers, ("Content-Length", str(len(body)))], body)
