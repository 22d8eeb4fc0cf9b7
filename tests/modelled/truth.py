"""`python -m tests.modelled.truth --only 3 16`: whether the model says what the server says.

Scenarios of fault runs in simulated worlds, with the real server; each call of a node is put to the model as well, in
the same instant, and what a node looks at in the two answers must be the same. What people do of the server beside the
calls, runs, words and codes, the model is told from the server's tables; when the server is put back, so is the model.
Ends with 1 where the two differ.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import sys
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any
from unittest.mock import patch

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import urllib3

from machines.protocol.messages import Work
from machines.recovery import Span
from machines.serialization import structure
from tests.faults.lane import SETTINGS
from tests.faults.relay import Answer
from tests.faults.scenario import Scenario, draw
from tests.faults.series import judged
from tests.modelled import model, words
from tests.modelled.known import Known, Planned, Word
from tests.modelled.model import API, ModelServer
from tests.modelled.planning import profile_named
from tests.simulated.lane import SimulatedLane, Stand, make_stand
from tests.simulated.served import Served
from tests.simulated.workers import in_memory

# Of a problem, what a node looks at.
LOOKED_AT = ("epoch", "current", "seq", "expected")


@dataclass
class Listening:
    """Stands before the server, and puts each call to the model, too.

    Attributes:
        served: the server.
        model: of it.
        compared: how many answers were, by path and status.
        differences: in words.
        tags: of work, the server's and the model's for the same.
    """

    served: Served
    model: ModelServer
    compared: Counter[str] = field(default_factory=Counter)
    differences: list[str] = field(default_factory=list)
    tags: dict[str, str] = field(default_factory=dict)

    def call(self, method: str, path: str, body: bytes, headers: Mapping[str, str]) -> Answer:
        """The server's answer, once it was compared."""
        self._catch_up()
        try:
            answer = self.served.call(method, path, body, headers)
        except urllib3.exceptions.ProtocolError:
            self._after_death(method, path, body, headers)
            raise
        self._compare(path, answer, self._ask(method, path, body, headers))
        return answer

    def _ask(self, method: str, path: str, body: bytes, headers: Mapping[str, str]) -> Answer:
        tag = headers.get("If-None-Match")
        known = dict(headers) | ({} if tag is None else {"If-None-Match": self.tags.get(tag, tag)})
        self.model.clock, self.model.process = self.served.clock, object()
        if path.endswith("/enrol"):
            self.model.known.codes.add(json.loads(body)["code"])
        return self.model.call(method, path, body, known)

    def _compare(self, path: str, theirs: Answer, ours: Answer) -> None:
        where = path.removeprefix(API).partition("?")[0].partition("/")[::2]
        name = "/".join(where) if where[0] == "node" else where[0]
        status, said, our_said = theirs.status, theirs.body, ours.body
        heads, our_heads = dict(theirs.headers), dict(ours.headers)
        self.compared[f"{name} {status}"] += 1
        if ours.status != status or our_heads.get("Content-Type") != heads.get("Content-Type"):
            self._differ(name, f"{status} {said[:200]!r}", f"{ours.status} {our_said[:200]!r}")
        elif status >= 400:
            self._same(name, _problem(said), _problem(our_said))
        elif name == "node/work" and status == 200:
            self.tags[heads["ETag"]] = our_heads["ETag"]
            both = (structure(json.loads(one), Work) for one in (said, our_said))
            self._same(name, *(replace(one, stands=None) for one in both))  # names are for people
        elif name == "node/enrol":
            self.model.known.tokens[json.loads(said)["token"]] = self.model.known.epoch
            self._same(name, _but_token(said), _but_token(our_said))
        elif name.startswith("node") and status == 200:
            self._same(name, json.loads(said), json.loads(our_said))

    def _same(self, name: str, theirs: object, ours: object) -> None:
        if theirs != ours:
            self._differ(name, str(theirs), str(ours))

    def _differ(self, name: str, theirs: str, ours: str) -> None:
        self.differences.append(f"at {self.served.clock.now():.3f} {name}: the server {theirs}\n  the model {ours}")

    def _after_death(self, method: str, path: str, body: bytes, headers: Mapping[str, str]) -> None:
        """The server died before or after it wrote; the model has done what the tables show that the server did."""
        from scheduling.log.models import Machine

        row, known = Machine.objects.get(id=self.model.known.machine), self.model.known
        if (row.epoch, row.accepted_through) != (known.epoch, known.accepted_through):
            self._ask(method, path, body, headers)
        self.served.forget()

    def _catch_up(self) -> None:
        """What people have done of the server meanwhile, and its own planning."""
        from scheduling.log.models import Override, Run
        from scheduling.outages.overrides import as_given

        known = self.model.known
        for row in Run.objects.filter(machine_id=known.machine):
            run = known.runs.get(row.id)
            if run is None:
                self.model.plan(_planned(row))
            elif not run.segments or run.segments[-1].end_column != row.planned_to_column:
                run.segments = _segments(row.id)
                known.changes += 1
        have = {word.said.id for word in known.words}
        for word in Override.objects.filter(machine_id=known.machine).exclude(id__in=have).order_by("given_at", "id"):
            known.words.append(Word(as_given(word), word.run_id))
            known.changes += 1


def _planned(row: Any) -> Planned:
    from scheduling.queries.runs import run_policy, run_work

    return Planned(replace(run_work(row), shift_s=0.0), run_policy(row), _segments(row.id), row.starts_at)


def _segments(run: str) -> list[Any]:
    from scheduling.log.models import Segment
    from scheduling.queries.runs import segment_work

    return [segment_work(row) for row in Segment.objects.filter(run_id=run).order_by("number")]


def _problem(said: bytes) -> dict[str, Any]:
    problem = json.loads(said)
    return {"type": problem["type"], **{name: problem.get(name) for name in LOOKED_AT}}


def _but_token(said: bytes) -> dict[str, Any]:
    return {name: value for name, value in json.loads(said).items() if name != "token"}


@dataclass
class Copied:
    """Copies of the model beside those of the server, by name.

    Attributes:
        lane: whose server is copied and put back.
        model: that must go the same way.
    """

    lane: SimulatedLane
    model: ModelServer
    copies: dict[str, bytes] = field(default_factory=dict)

    def beside(self, name: str) -> Callable[..., Any]:
        """A method of the lane, which does to the model what it does to the server."""
        right, also = getattr(self.lane, name), getattr(self, name)

        def both(*arguments: Any) -> Any:
            done = right(*arguments)
            also(*map(str, arguments))
            return done

        return both

    def copy_server(self, copy: str) -> None:
        """Keep all that it knows."""
        self.copies[copy] = self.model.copy()

    def put_server_back(self, copy: str) -> None:
        """It knows that, and no more."""
        self.model.put_back(self.copies[copy])

    def command(self, *arguments: str) -> None:
        """An export has no credentials, and an import none of them back."""
        if arguments[:2] == ("log", "export"):
            self.copy_server(arguments[-1])
        elif arguments[:2] == ("log", "import"):
            self.put_server_back(arguments[-1])
            self.model.known = replace(self.model.known, tokens={}, codes=set(), heard_at=None)


class AnyPlate(dict[str, bytes]):
    """Plates are the server's own; that there is one is enough."""

    def __missing__(self, digest: str) -> bytes:
        return b""


def _closed(machine: str) -> Callable[[datetime, datetime], tuple[Span, ...]]:
    from scheduling.log.models import Machine, Venue
    from scheduling.venues.hours import venue_closed

    def closed(start: datetime, end: datetime) -> tuple[Span, ...]:
        venue = Venue.objects.get(id=Machine.objects.get(id=machine).venue_id)
        return tuple(Span(starts_at=first, ends_at=last) for first, last in venue_closed(venue, start, end))

    return closed


@contextmanager
def listening(lane: SimulatedLane, scenario: Scenario) -> Iterator[Listening]:
    """The model listens to all that nodes ask the server of a lane."""
    machine = f"m{lane.made + 1}-{scenario.seed}"
    known = Known(machine, profile_named(scenario.profile))
    poll_after_s = float(SETTINGS["DAYROLL_POLL_AFTER_S"])
    of_server = ModelServer(lane.world, lane.clock, known, AnyPlate(), poll_after_s, _closed(machine))
    listens, copied = Listening(lane.server, of_server), Copied(lane, of_server)
    names = ("copy_server", "put_server_back", "command")
    with patch.multiple(lane, **{name: copied.beside(name) for name in names}):  # type: ignore[call-overload]
        lane.relay.served = listens  # type: ignore[assignment]
        yield listens


def differences(stand: Stand, scenario: Scenario) -> Listening:
    """Play a scenario while the model listens."""
    with stand.lane(scenario) as lane, listening(lane, scenario) as listens:
        folder = Path(f"seed-{scenario.seed}")
        judged(lane, scenario, folder)
        shutil.rmtree(folder)
    return listens


# Mistakes of the model, made on purpose: what the comparison must not pass over.
WRONGS: Mapping[str, Callable[[], AbstractContextManager[object]]] = {
    "words-forgotten": lambda: patch.object(words, "standing", lambda known, run: None),
    "earlier-forgotten": lambda: patch.object(model, "earlier", lambda known: ()),
}


def main() -> int:
    """Compare in the scenarios that were asked for."""
    parser = argparse.ArgumentParser(prog="python -m tests.modelled.truth", description=__doc__)
    parser.add_argument("--only", type=int, nargs="+", required=True, metavar="SEED", help="of fault runs")
    parser.add_argument("--wrong", choices=WRONGS, help="a mistake of the model to be found")
    options = parser.parse_args()
    wrong = nullcontext() if options.wrong is None else WRONGS[options.wrong]()
    with wrong:
        compared, found = compare(options.only)
    sys.stdout.write(json.dumps({"compared": dict(sorted(compared.items())), "differences": found}, indent=2) + "\n")
    return 1 if found else 0


def compare(seeds: Sequence[int]) -> tuple[Counter[str], list[str]]:
    """How many answers were compared, by path and status, and what differed."""
    compared, found = Counter[str](), list[str]()
    with in_memory("truth") as folder:
        stand = make_stand(folder)
        for seed in seeds:
            listens = differences(stand, draw(seed))
            compared += listens.compared
            found += [f"seed {seed} {difference}" for difference in listens.differences]
    return compared, found


if __name__ == "__main__":
    sys.exit(main())
