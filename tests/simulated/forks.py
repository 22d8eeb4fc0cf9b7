"""Branches: a prefix is played once, and from there on the power goes at every place where it may, each in a process of
its own that goes on with copies of all files; and once more in the restart, at every place of that.

    prefix ---------+--------+--------+--- ...     places of node or server: before and after each commit, order, cut
                    x        x        x            the power goes
                     \\        \\        \\
                      on       on+x     on          it is back after a while; pairs: it goes once more
                       ...      ...      ...        played on to the end of the run, and judged
"""

from __future__ import annotations

import gc
import os
import pickle
import shutil
import time
import traceback
from collections.abc import Callable, Generator, Iterator
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, Literal, NoReturn, get_args

from machines.drivers.simulated.paper import PaperWriter
from machines.node.store.journal import open_journal
from tests.faults.play import end, set_out, set_up, wait_until_accounted
from tests.faults.scenario import Scenario
from tests.faults.series import verdict
from tests.faults.servers import server_off, server_on
from tests.faults.stage import Stage
from tests.simulated.agent import AgentProgram, agent_of
from tests.simulated.lane import SimulatedLane, Stand, lane_of
from tests.simulated.workers import keep_what_is_there

Who = Literal["node", "server"]
# How long the power is gone, virtual seconds.
AWAY_S = 900.0
# A place that is not passed by the end of the run is none.
NO_MORE = "no more places"


@dataclass(frozen=True, kw_only=True)
class Branch:
    """What became of one.

    Attributes:
        prefix: what was played before.
        who: whose power went.
        places: how many places were passed before it did, the first time and, of a pair, after the restart.
        problems: complaints, in words; none is good.
        took_s: real seconds.
    """

    prefix: Scenario
    who: Who
    places: tuple[int, ...]
    problems: list[str]
    took_s: float

    def __str__(self) -> str:
        places = " and ".join(map(str, self.places))
        return f"{self.who} at place {places} of {self.prefix.seed}: {'; '.join(self.problems) or 'kept'}"


def branches(
    stand: Stand, prefix: Scenario, from_h: float, who: Who, *, pairs: int = 0
) -> Generator[Branch, None, None]:
    """Play a prefix, and every branch of it.

    Args:
        stand: of this process.
        prefix: a scenario without faults.
        from_h: from when on the power may go, hours of the run.
        who: whose.
        pairs: at how many places of the restart it goes once more.
    """
    with stand.lane(prefix) as lane:
        stage = _on_the_way(lane, prefix, from_h)
        keep_what_is_there()
        yield from _each_place(stage, who, (), pairs)
        gc.unfreeze()
        lane.relay.calm(prefix.seed)
        wait_until_accounted(stage)
        end(stage)
        shutil.rmtree(stage.folder)


def warm_up(stand: Stand, prefix: Scenario, from_h: float) -> None:
    """Play a branch of each kind in this process itself: whatever a program makes once and keeps, such as readers of
    messages and settings of the server, every fork of this process has from then on, and none makes anew."""
    for who in get_args(Who):
        with stand.lane(prefix) as lane:
            stage = _on_the_way(lane, prefix, from_h)
            for branch in _branch(stage, who, (0,), 0):
                if branch.problems:
                    raise RuntimeError(str(branch))
            shutil.rmtree(stage.folder)
    keep_what_is_there()


def _on_the_way(lane: SimulatedLane, prefix: Scenario, from_h: float) -> Stage:
    """A prefix, played; one that was broken off before has left its folder."""
    folder = Path(f"prefix-{prefix.seed}")
    shutil.rmtree(folder, ignore_errors=True)
    stage = set_up(lane, prefix, folder)
    set_out(stage)
    stage.board.ask("arm", "--yes")
    lane.world.run(stage.begins.timestamp() + 3600.0 * from_h)
    return stage


def _each_place(stage: Stage, who: Who, before: tuple[int, ...], pairs: int) -> Iterator[Branch]:
    place = 0
    while not before or place < pairs:
        places = (*before, place)
        found = in_child(stage, partial(_all_of, stage, who, places, 0 if before else pairs))
        yield from (branch for branch in found if branch.problems != [NO_MORE])
        if any(branch.problems == [NO_MORE] for branch in found if branch.places == places):
            return
        place += 1


def _all_of(stage: Stage, who: Who, places: tuple[int, ...], pairs: int) -> list[Branch]:
    return list(_branch(stage, who, places, pairs))


def _branch(stage: Stage, who: Who, places: tuple[int, ...], pairs: int) -> Iterator[Branch]:
    """The power goes and comes back, in this process; then all goes on, and before it does, in others."""
    began = time.monotonic()
    branch = Branch(prefix=stage.scenario, who=who, places=places, problems=[NO_MORE], took_s=0.0)
    if not _dies(stage, who, places[-1]):
        yield branch
        return
    world = lane_of(stage).world
    world.run(world.now + AWAY_S)
    if who == "node":
        stage.board.power_on()
    else:
        server_on(stage)
    yield from _each_place(stage, who, places, pairs) if pairs else ()
    runs_out = stage.begins.timestamp() + 3600.0 * stage.scenario.hours
    world.run(runs_out)
    wait_until_accounted(stage)
    end(stage)
    yield replace(branch, problems=verdict(stage, began).problems, took_s=time.monotonic() - began)


def _dies(stage: Stage, who: Who, places: int) -> bool:
    """Whether the power goes after so many places, before the run is over."""
    lane, program = lane_of(stage), agent_of(stage.board)
    served = lane.server
    until = stage.begins.timestamp() + 3600.0 * stage.scenario.hours
    if who == "node":
        program.fuse.left = places
        lane.world.run(until, lambda: not program.runs)
        died, program.fuse.left = not program.runs, None
        stage.board.off += died
    else:
        served.fuse.left = places
        lane.world.run(until, lambda: served.process is None)
        died, served.fuse.left = served.process is None, None
        if died:
            server_off(stage)
    return died


def in_child(stage: Stage, work: Callable[[], Any]) -> Any:
    """What work gives that is done in a process which goes on from here, with copies of all files.

    Raises:
        RuntimeError: it broke; with what it said.
    """
    here = Path.cwd()
    read, write = os.pipe()
    child = os.fork()
    if not child:
        os.close(read)
        _be_the_child(stage, _beside(here, os.getpid()), work, write)
    os.close(write)
    try:
        with os.fdopen(read, "rb") as pipe:
            said = pipe.read()
    finally:
        os.waitpid(child, 0)
        shutil.rmtree(_beside(here, child), ignore_errors=True)
    try:
        given, broke = pickle.loads(said)
    except (EOFError, pickle.UnpicklingError):
        given, broke = None, f"the process ended in the middle of a word: {said[-200:]!r}"
    if broke:
        raise RuntimeError(broke)
    return given


def _be_the_child(stage: Stage, mine: Path, work: Callable[[], Any], write: int) -> NoReturn:
    """Whatever happens, this process ends here, and nothing of its parent's is touched."""
    try:
        with os.fdopen(write, "wb") as pipe:
            pipe.write(_told(stage, mine, work))
    finally:
        os._exit(0)


def _told(stage: Stage, mine: Path, work: Callable[[], Any]) -> bytes:
    try:
        _stand_on_copies(stage, mine)
        return pickle.dumps((work(), ""))
    except BaseException as error:  # noqa: BLE001 - whatever it is, the parent is told
        return pickle.dumps((None, "".join(traceback.format_exception(error))))


def _beside(here: Path, process: int) -> Path:
    """The folder of a child's own."""
    return here.with_name(f"{here.name.partition('+')[0]}+{process}")


_KEPT: list[Any] = []


def _stand_on_copies(stage: Stage, mine: Path) -> None:
    """A child stands in a folder of its own, and what it had open it opens there; its parent's files stay untouched."""
    from django.db import connections

    shutil.copytree(
        Path.cwd(), mine, symlinks=True, ignore=shutil.ignore_patterns("*-shm", "empty.sqlite3", "furnished.sqlite3")
    )
    os.chdir(mine)
    _KEPT.append(connections["default"].connection)  # never closed here: it is the parent's
    connections["default"].connection = None
    del connections["default"]
    for board in (*stage.boards, *stage.clones):
        _reopen(agent_of(board))


def _reopen(program: AgentProgram) -> None:
    """A board's program goes on with the files that are here."""
    journal = program._journal
    if journal is not None:
        _KEPT.append(journal.connection)
        journal.connection = open_journal(program.home).connection
    for machine in program._papers:
        old = machine.paper
        machine.paper = PaperWriter(program.home / "paper", machine.profile)
        _KEPT.append(old)
