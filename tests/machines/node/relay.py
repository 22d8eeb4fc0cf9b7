"""A server of the tests' own: real HTTP, a plan of even columns, and an account of what was reported.

It stands in for `server` where a test is about the node alone.
"""

from __future__ import annotations

import hashlib
import json
import threading
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import numpy as np

from machines.clock import Clock, utc
from machines.imaging.plate import Plate
from machines.model.calibration import Calibration
from machines.model.profile import CarriageHead, Knife, LineHead, Media, Profile
from machines.protocol.journal_entries import ColumnsPrinted, Entry, GapSettled
from machines.protocol.messages import NextRun, Reports, Retelling, RunWork, SegmentWork, Status, Whereabouts, Work
from machines.recovery import Policy
from machines.serialization import format_instant

TOKEN = "node_of_the_tests"
KNOTS = 5


def line_profile(**changes: Any) -> Profile:
    """A line head that crawls: 720 columns a turn, one every two minutes of a day."""
    given: dict[str, Any] = {
        "name": "line",
        "columns_per_turn": 720,
        "mm_per_turn": 360.0,
        "dots_across": 40,
        "print_width_mm": 40.0,
        "highest_mm_per_hour": 60.0,
        "head": LineHead(dot_current_a=0.03, supply_current_a=0.3, strobe_s=0.001),
        "media": Media(width_mm=50.0, caliper_mm=0.1, roll_m=30.0),
        "knife": Knife(head_to_knife_mm=20.0, cuts_per_blade=1000),
    }
    return Profile(**{**given, **changes})


def carriage_profile(**changes: Any) -> Profile:
    """A carriage that prints bursts of 16 columns."""
    head = CarriageHead(nozzles=12, passes=2, drop_pl=10.0)
    return line_profile(**{"name": "carriage", "head": head, "columns_per_burst": 16, **changes})


def picture(profile: Profile, seed: int = 1) -> Plate:
    """A turn of dots in which every column differs from every other."""
    dots = np.random.default_rng(seed).random((profile.dots_across, profile.columns_per_turn)) < 0.4
    return Plate(dots)


class Differs(Exception):
    """Another entry was taken under the number of one."""

    def __init__(self, seq: int) -> None:
        super().__init__(f"entry {seq} was told before, and it was another one")
        self.seq = seq


@dataclass
class Studio:
    """What the server knows. The fields may be changed while it serves.

    Attributes:
        clock: its own.
        profile: of the machine.
        run: that it is on.
        policy: after an outage.
        turn_zero: instant of running column 0, POSIX seconds.
        segments_per_turn: the run is cut into.
        plate: of every turn.
        poll_after_s: for the node.
        epoch: of the newest enrolment.
        horizon_s: work is offered that begins within so many seconds.
        down: answer nothing sensible.
        entries: taken, in order.
        statuses: heard.
        again: what each batch said to be told once more.
        told_before: how many entries are of earlier epochs.
        calibration: what was measured of the machine.
        instead: octets to answer with, whatever they are, by the path of what is asked; None for the answer itself.
    """

    clock: Clock
    profile: Profile
    run: RunWork | None
    policy: Policy
    turn_zero: float
    segments_per_turn: int
    plate: Plate
    poll_after_s: float = 600.0
    epoch: int = 1
    horizon_s: float = 7 * 86400.0
    down: bool = False
    entries: list[Entry] = field(default_factory=list)
    statuses: list[Status] = field(default_factory=list)
    again: list[Retelling | None] = field(default_factory=list)
    told_before: int = 0
    calibration: Calibration | None = None
    following: RunWork | None = None
    stands: Whereabouts | None = None
    then_policy: Policy | None = None
    instead: Callable[[str], Iterable[bytes] | None] = lambda path: None
    lock: threading.Lock = field(default_factory=threading.Lock)

    def instant(self, column: float) -> float:
        """When a running column belongs under the head."""
        assert self.run is not None
        return self.turn_zero + column * self.run.mean_turn_s / self.profile.columns_per_turn

    def column_at(self, instant: float) -> int:
        """The running column that belongs under the head at an instant."""
        assert self.run is not None
        return int((instant - self.turn_zero) * self.profile.columns_per_turn / self.run.mean_turn_s)

    def segments(self, of: RunWork | None = None) -> list[SegmentWork]:
        """Every segment of a run, or of the one that is offered."""
        run = of or self.run
        if run is None:
            return []
        per_turn, columns = self.segments_per_turn, self.profile.columns_per_turn
        first, end = run.first_column, run.end_column
        found = []
        for number in range(first * per_turn // columns - 1, end * per_turn // columns + 1):
            turn, slot = divmod(number, per_turn)
            bounds = [turn * columns + (2 * s * columns + per_turn) // (2 * per_turn) for s in (slot, slot + 1)]
            begin, stop = max(bounds[0], first), min(bounds[1], end)
            if begin < stop:
                places = np.linspace(begin, stop, KNOTS)
                knots = tuple(utc(self.instant(place)) for place in places)
                found.append(
                    SegmentWork(
                        number=number, first_column=begin, end_column=stop, plate=self.plate.digest, knots=knots
                    )
                )
        return found

    def accounted(self) -> set[int]:
        """Columns that were reported as printed, unknown or skipped."""
        columns: set[int] = set()
        for entry in self.entries:
            if isinstance(entry, ColumnsPrinted):
                columns.update(range(entry.columns.first, entry.columns.end))
            if isinstance(entry, GapSettled):
                for part in (entry.decision.unknown, entry.decision.skipped):
                    columns.update(range(part.first, part.end))
        return columns

    def work(self) -> Work:
        """What the node should hold."""
        segments = self._offered()
        then = None if self.following is None else self._next_run(self.following)
        return Work(
            epoch=self.epoch,
            run=None if self.run is None else replace(self.run, first_unaccounted=self._first_unaccounted(segments)),
            policy=None if self.run is None else self.policy,
            profile=self.profile,
            plates=(self.plate.digest,) if segments else (),
            segments=segments,
            poll_after_s=self.poll_after_s,
            calibration=self.calibration,
            following=then,
            stands=self.stands,
        )

    def _offered(self, of: RunWork | None = None) -> tuple[SegmentWork, ...]:
        accounted, until = self.accounted(), self.clock.now() + self.horizon_s
        return tuple(
            segment
            for segment in self.segments(of)
            if segment.knots[0].timestamp() < until
            and not accounted.issuperset(range(segment.first_column, segment.end_column))
        )

    def _next_run(self, run: RunWork) -> NextRun | None:
        segments = self._offered(run)
        if not segments:
            return None
        policy = self.policy if self.then_policy is None else self.then_policy
        told = replace(run, first_unaccounted=self._first_unaccounted(segments))
        return NextRun(run=told, policy=policy, segments=segments)

    def _first_unaccounted(self, offered: tuple[SegmentWork, ...]) -> int | None:
        accounted = self.accounted()
        columns = (column for segment in offered for column in range(segment.first_column, segment.end_column))
        return next((column for column in columns if column not in accounted), None)

    def begin(self, run: RunWork, in_s: float) -> None:
        """Offer a run whose first column belongs under the head in so many seconds."""
        with self.lock:
            per_column_s = run.mean_turn_s / self.profile.columns_per_turn
            self.turn_zero = self.clock.now() + in_s - run.first_column * per_column_s
            self.run = run

    def enrol(self) -> int:
        """Another board takes over, or the same one again; its epoch."""
        self.epoch, self.told_before = self.epoch + 1, len(self.entries)
        return self.epoch

    def take(self, reports: Reports) -> int:
        """Each entry once."""
        if reports.status is not None:
            self.statuses.append(reports.status)
        self.again.append(reports.again)
        for entry in reports.entries:
            taken = len(self.entries) - self.told_before
            if entry.seq == taken + 1:
                self.entries.append(entry)
            elif self.entries[self.told_before + entry.seq - 1] != entry:
                raise Differs(entry.seq)
            else:
                assert entry.seq <= taken, "the node left out an entry"
        return len(self.entries) - self.told_before

    def all_of(self, kind: type[Any]) -> list[Any]:
        """The entries of one kind."""
        return [entry for entry in self.entries if isinstance(entry, kind)]


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    studio: Studio
    disable_nagle_algorithm = True

    def log_message(self, format: str, *arguments: Any) -> None:
        """Not to the terminal."""

    def do_GET(self) -> None:
        received = self.studio.clock.now()
        if self._instead() or self._refused():
            return
        path = self.path.removeprefix("/api/v1/").partition("?")[0]
        if path == "node/clock":
            stamps = {"received_at": utc(received), "sent_at": utc(self.studio.clock.now())}
            self._json(200, {name: format_instant(at) for name, at in stamps.items()})
        elif path == "node/work":
            self._work()
        elif path == f"plates/{self.studio.plate.digest}.png":
            self._send(200, self.studio.plate.to_png(), {"Content-Type": "image/png"})
        else:
            self._problem(404, "about:blank", "no such thing")

    def do_POST(self) -> None:
        body = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
        if self._instead():
            return
        if self.path.endswith("/node/enrol"):
            if body["code"] == "good":
                self._json(200, {"token": TOKEN, "machine": "m1", "epoch": self.studio.epoch})
            else:
                self._problem(422, "/api/v1/problems/bad-input", "this code is not, or no longer, good")
        elif not self._refused():
            try:
                with self.studio.lock:
                    through = self.studio.take(Reports.from_json(body))
            except Differs as differs:
                self._problem(409, "/api/v1/problems/journal-differs", str(differs), seq=differs.seq)
            else:
                self._json(200, {"accepted_through": through})

    def _instead(self) -> bool:
        octets = self.studio.instead(self.path)
        if octets is None:
            return False
        self.close_connection = True
        for some in octets:
            self.wfile.write(some)
        return True

    def _refused(self) -> bool:
        if self.studio.down:
            self._problem(503, "about:blank", "down", {"Retry-After": "30"})
        elif self.headers["Authorization"] != f"Bearer {TOKEN}":
            self._problem(401, "about:blank", "this token is not good")
        elif self.studio.epoch != 1:
            members: dict[str, Any] = {"epoch": 1, "current": self.studio.epoch}
            self._problem(409, "/api/v1/problems/stale-epoch", "another board has taken over", **members)
        else:
            return False
        return True

    def _work(self) -> None:
        with self.studio.lock:
            body = json.dumps(self.studio.work().as_json()).encode()
        etag = f'"{hashlib.sha256(body).hexdigest()}"'
        if self.headers["If-None-Match"] == etag:
            self._send(304, b"", {"ETag": etag})
        else:
            self._send(200, body, {"ETag": etag, "Content-Type": "application/json"})

    def _problem(
        self, status: int, type: str, detail: str, headers: dict[str, str] | None = None, **members: Any
    ) -> None:
        body = json.dumps({"type": type, "title": "refused", "status": status, "detail": detail, **members}).encode()
        self._send(status, body, {"Content-Type": "application/problem+json", **(headers or {})})

    def _json(self, status: int, value: Any) -> None:
        self._send(status, json.dumps(value).encode(), {"Content-Type": "application/json"})

    def _send(self, status: int, body: bytes, headers: dict[str, str]) -> None:
        self.send_response(status)
        for name, value in headers.items():
            self.send_header(name, value)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    block_on_close = False

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A node that is killed cuts its connections."""


@contextmanager
def serving(studio: Studio, port: int = 0) -> Iterator[str]:
    """Serve on the loopback; the address."""
    server = _Server(("127.0.0.1", port), type("Handler", (_Handler,), {"studio": studio}))
    thread = threading.Thread(target=server.serve_forever, args=(0.02,), daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}"
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
