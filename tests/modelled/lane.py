"""A lane of fault runs beside a model of the server: a world, one machine, and no more of the server than nodes see."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from random import Random
from typing import Any

import urllib3

from machines.clock import utc
from machines.node.store.journal import FILE_NAME
from machines.recovery import Rule, Span
from machines.serialization import format_instant, structure
from tests.faults.boards import Board, make_board
from tests.faults.lane import SECONDS_SHOWN_PER_SECOND, Lane
from tests.faults.scenario import Scenario
from tests.modelled import words
from tests.modelled.agent import ModelledAgent
from tests.modelled.known import Known, Planned
from tests.modelled.model import API, ModelServer
from tests.modelled.planning import planned
from tests.simulated.lane import AheadClock
from tests.simulated.network import Network
from tests.simulated.served import HOST, Raw
from tests.simulated.world import World

MACHINE = "m1"
VENUE = "v1"
LEAD_S, POLL_AFTER_S, SILENT_AFTER_S = 240.0, 300.0, 900.0
# A server that is killed is so at one of so many places of the next minutes.
MOST_PLACES = 6
# Open for so long, and closed for so long, all day.
DOORS_S = 1200.0


@dataclass
class ModelStudio:
    """What people see and do of the server's API in fault runs.

    Attributes:
        server: the model.
        address: of it.
    """

    server: ModelServer
    address: str = HOST
    codes: int = 0

    @property
    def pool(self) -> ModelStudio:
        """The studio's connections."""
        return self

    def request(self, method: str, url: str, headers: dict[str, str] | None = None, **_: Any) -> Raw:
        """A call with somebody's own credentials."""
        path = url.removeprefix(self.address)
        if not path.startswith(API):
            return Raw(200, b"")
        answer = self.server.call(method, path, b"", headers or {})
        return Raw(answer.status, answer.body)

    def create(self, resource: str, body: Any) -> Any:
        """A code for a board, or a run."""
        self._require_server()
        known = self.server.known
        if resource.endswith("/enrolment"):
            self.codes += 1
            code = f"code-{self.codes}"
            known.codes.add(code)
            return {"code": code}
        assert resource == "runs"
        self.server.plan(planned(body, known.profile))
        return body

    def call(self, method: str, path: str, body: Any = None) -> tuple[int, Any]:
        """Status and JSON of a call."""
        self._require_server()
        collection, _, rest = path.partition("/")
        known = self.server.known
        if collection == "overrides":
            found = [word for word in known.words if word.said.id == rest]
            return (200, {"id": rest, "run": found[0].run, "used_by": found[0].used or None}) if found else (404, {})
        run = known.runs.get(rest.partition("/")[0])
        if run is None:
            return 404, {}
        if method == "GET":
            return 200, _run_row(run)
        rule = structure(body["rule"], Rule)
        word = words.give(known, run.work.id, rule, self.server.now(), SILENT_AFTER_S)
        return (409, {}) if word is None else (201, {"id": word.said.id})

    def get(self, path: str) -> Any:
        """The machine, or the venue where it stands."""
        self._require_server()
        if path.startswith("venues/"):
            return {"id": VENUE, "zone": "UTC"}
        known = self.server.known
        heard_at, held_since = (None if at is None else format_instant(at) for at in (known.heard_at, known.held_since))
        stands = {"hold": known.hold, "conditions": known.conditions, "knife_armed": known.knife_armed}
        told = {"accepted_through": known.accepted_through, "last_reported_at": heard_at, "held_since": held_since}
        return {**stands, **told, "venue": VENUE}

    def all(self, path: str) -> list[Any]:
        """The segments of a run, the notices, or what was written down."""
        known = self.server.known
        if path == "notices":
            over = (word for word in known.words if word.passed_over)
            return [{"machine": known.machine, "said": f"the word {word.said.id} was passed over"} for word in over]
        if path.startswith("events"):
            return known.facts
        return _segment_rows(known.runs[path.split("/")[1]])

    def raw(self, path: str) -> bytes:
        """A plate."""
        return self.server.plates[path.removeprefix("plates/").removesuffix(".png")]

    def _require_server(self) -> None:
        if self.server.process is None:
            raise urllib3.exceptions.ProtocolError("refused", ConnectionRefusedError())


def _run_row(run: Planned) -> dict[str, Any]:
    work = run.work
    span = {"first_column": work.first_column, "end_column": work.end_column, "mean_turn_s": work.mean_turn_s}
    counts = {str(fate): count for fate, count in run.counts.items()}
    as_planned = {
        "withdrawn_at": None,
        "longest_column": work.end_column,
        "beyond": 0,
        "profile": None,
    }  # nobody ends it elsewhere
    return {"id": work.id, "again": len(run.again), **span, **as_planned, **counts}


def _segment_rows(run: Planned) -> list[dict[str, Any]]:
    rows = []
    for segment in run.segments:
        fates = run.fates_of(segment)
        rows.append(
            {
                "run": run.work.id,
                "number": segment.number,
                "first_column": segment.first_column,
                "end_column": segment.end_column,
                "plate": segment.plate,
                "starts_at": format_instant(run.begins(segment)),
                "ends_at": format_instant(run.ends(segment)),
                "finished_at": "then" if len(fates) == segment.end_column - segment.first_column else None,
                **{fate: fates.count(fate) for fate in ("printed", "unknown", "skipped")},
            }
        )
    return rows


@dataclass
class ModelLane(Lane):
    """As the fault runs' lane, for one scenario.

    Attributes:
        world: of the scenario.
        dice: decide what the seed alone does not.
        journal: of a board that was enrolled, to begin with.
        copies: of what the server knew, by name.
    """

    server: ModelServer  # type: ignore[assignment]
    relay: Network
    world: World = field(kw_only=True)
    dice: Random = field(kw_only=True)
    journal: bytes = field(kw_only=True)
    copies: dict[Path, bytes] = field(default_factory=dict, kw_only=True)
    accounted_limit_s: float = 12.0

    def make_board(self, scenario: Scenario, folder: Path) -> Board:
        """A board that is enrolled, without power."""
        board = make_board(self, scenario, folder, "board", folder / "paper")
        (board.home / FILE_NAME).write_bytes(self.journal)
        return board

    def next_begin(self) -> datetime:
        """When runs that are planned now can begin."""
        return utc(self.clock.now()) + timedelta(seconds=LEAD_S)

    def program(self, scenario: Scenario, home: Path, trouble: Path) -> Any:
        """The program of a board."""
        dice = Random(self.dice.random())
        return ModelledAgent(self.world, self.relay, scenario, home, trouble, dice, home.with_suffix(".log"))

    def real_s(self) -> float:
        """As if time was compressed as in the fault runs."""
        return self.world.now / SECONDS_SHOWN_PER_SECOND

    def pass_time(self, real_s: float) -> None:
        """Let everything go on."""
        self.world.run(self.world.now + real_s * SECONDS_SHOWN_PER_SECOND)

    def copy_server(self, copy: Path) -> None:
        """Keep all that the server knows."""
        self.copies[copy] = self.server.copy()

    def put_server_back(self, copy: Path) -> None:
        """The server, which is off, knows what a copy knows."""
        self.server.put_back(self.copies[copy])

    def command(self, *arguments: str) -> str:
        """What a server is built anew by: an export, an empty database, an import."""
        if arguments[0] == "migrate":
            self.server.known = Known(MACHINE, self.server.known.profile)
        elif arguments[1] == "export":
            self.copies[Path(arguments[-1])] = self.server.copy()
        else:
            self.server.put_back(self.copies[Path(arguments[-1])])
            self.server.known = replace(self.server.known, tokens={}, codes=set(), heard_at=None)
        return ""

    def remake_key(self) -> None:
        """The studio has one."""

    def move(self, ahead_s: float) -> None:
        """A clock that is ahead by so much; not started yet."""
        self.ahead_s = ahead_s
        self.server.clock = AheadClock(self.clock, ahead_s)

    def wait(self) -> None:
        """Until the server answers; it does at once."""


@dataclass
class PlacedModel(ModelServer):
    """A model that is killed where it writes, in the next minutes."""

    dice: Random = field(kw_only=True)

    def kill(self, places: int = 0) -> None:
        """End it without warning."""
        super().kill(places or self.dice.randrange(MOST_PLACES))


def closed_now_and_then(start: datetime, end: datetime) -> tuple[Span, ...]:
    """Closed as long as it is open, in turns."""
    count = int((end - start).total_seconds() / DOORS_S / 2)
    span, turn = timedelta(seconds=DOORS_S), timedelta(seconds=2 * DOORS_S)
    return tuple(Span(starts_at=start + n * turn, ends_at=start + n * turn + span) for n in range(count))
