"""A field node in a few hundred lines, of the standard library alone: the example that `NODE.md` explains.

It prints, outlives power cuts and servers, and settles what is missing by two rules. It never moves the knife: for
that a person beside the machine has to be asked, which the project's own node does. **It is an example, and no way to
run a machine that people stand beside**: guards, interlocks and the stop control act in hardware, whatever a program
does, and are designed and tested by people who are licensed for it, by the codes of the place.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any, Protocol

from tests.tiny_node import strips
from tests.tiny_node.calls import NotHeard, Problem, Server
from tests.tiny_node.clock import ServerClock
from tests.tiny_node.journal import Journal, instant, posix
from tests.tiny_node.plate import Plate, read_plate
from tests.tiny_node.settling import decide
from tests.tiny_node.work import Held

BATCH = 200
HORIZON = "PT24H"


class Machine(Protocol):
    """What moves."""

    def lay(self, place: int, columns: list[tuple[bool, ...]], first_column: int) -> None:
        """Set columns of dots, from the upper edge down, side by side from a place on the paper."""


class Fenced(Exception):
    """Another board has the machine, or the studio wants nothing more of this one: nothing is printed any more."""


class Node:
    """A board, enrolled.

    Attributes:
        clock: what it knows of the server's time.
        sleep_s: when the server wants to be asked again, seconds.
    """

    def __init__(self, home: Path, elapsed: Callable[[], float], machine: Callable[[Held], Machine]) -> None:
        """Begin.

        Args:
            home: folder of the journal and the plates, on what keeps it over a power cut.
            elapsed: seconds of a clock that is never set, such as ``time.monotonic``.
            machine: drives the machine, for the work that is held.
        """
        self.home, self._open = home, machine
        self.clock = ServerClock(elapsed)
        self.journal = Journal(home / "journal.sqlite3")
        self.sleep_s = 60.0
        self._plates: dict[str, Plate] = {}
        self._cause: str | None = "power" if self.journal.get("running") else "service"
        self._began = False
        self._resumed = True

    # Coming in.

    def enrol(self, server: str, code: str) -> None:
        """Turn a one-time code into a token, and begin the numbers of the entries anew."""
        got, old = Server(server).json("node/enrol", {"code": code}), self.journal.get("epoch")
        told = next((one["through"] for one in got["earlier"] if one["epoch"] == old), 0)
        with self.journal.together():
            if old is not None:
                self.journal.renumber(told)
            self.journal.put(server=server, token=got["token"], epoch=got["epoch"], accepted=0, fenced="", tag=None)
            self.journal.put(place=max(self.journal.get("place", 0), got["paper_position"]))

    # The network's side. Nothing of it is urgent.

    def exchange(self) -> None:
        """One pass: the time, what happened, what to do, and its plates. Reports go before work is fetched, as a server
        that was put back must know what was printed before it says what to print.

        Raises:
            NotHeard: not all of it came to be; ask again later.
            Fenced: this board prints no more.
        """
        server = Server(self.journal.get("server"), self.journal.get("token"))
        try:
            self.clock.take_sample(lambda: _stamps(server))
            self._report(server)
            self._fetch(server)
        except Problem as problem:
            if problem.slug in ("stale-epoch", "journal-differs"):
                self.journal.put(fenced=str(problem))
                raise Fenced(str(problem)) from problem
            raise NotHeard(f"{problem.slug}: {problem}") from problem

    def _report(self, server: Server) -> None:
        batch = BATCH
        while True:
            accepted = self.journal.get("accepted", 0)
            entries = self.journal.entries(accepted, batch)
            body = {"epoch": self.journal.get("epoch"), "entries": entries, "status": self._status()}
            try:
                through = server.json("node/reports", body)["accepted_through"]
            except Problem as problem:
                if problem.slug == "body-too-large" and batch > 1:
                    batch //= 2
                    continue
                if problem.slug == "missing-entries" and problem.body["expected"] <= accepted:
                    self.journal.put(accepted=problem.body["expected"] - 1)
                    continue
                raise
            self.journal.put(accepted=min(through, self.journal.newest))
            if through >= self.journal.newest:
                return

    def _status(self) -> dict[str, Any] | None:
        time = self.clock.now()
        if time is None:
            return None
        work = self.journal.get("work")
        last = work["segments"][-1]["knots"][-1] if work is not None and work["segments"] else None
        return {
            "at": instant(time[0]),
            "next_column": self.journal.get("next"),
            "paper_position": self.journal.get("place", 0),
            "clock_error_s": time[1],
            "knife_armed": False,
            "held_until": last,
        }

    def _fetch(self, server: Server) -> None:
        status, body, tag = server.call(f"node/work?horizon={HORIZON}", tag=self.journal.get("tag"))
        if status == 200:
            work = json.loads(body)
            self.journal.put(work=work, tag=tag)
        work = self.journal.get("work")
        self.sleep_s = min(max(work["poll_after_s"], 1.0), 3600.0)
        for digest in work["plates"]:
            file = self.home / f"{digest}.png"
            if file.exists():
                continue
            png = server.call(f"plates/{digest}.png")[1]
            if read_plate(png).digest != digest:
                raise NotHeard(f"other dots came than those of plate {digest}")
            partial = file.with_suffix(".partial")
            partial.write_bytes(png)
            partial.rename(file)

    # The machine's side. It never waits for the network.

    def step(self) -> float:
        """Do the next thing.

        Returns:
            for how long nothing will be due, seconds; 0 if something was done.

        Raises:
            Fenced: this board prints no more.
            NotKnown: what is missing is to be settled by a rule that this node does not know.
        """
        if why := self.journal.get("fenced"):
            raise Fenced(why)
        time, work = self.clock.now(), self.journal.get("work")
        held = None if work is None or work["run"] is None or not work["segments"] else Held(work)
        if time is None or (held is not None and time[1] > held.tolerance_s):
            return self._rest("clock")
        now = time[0]
        if not self._began:
            return self._begin(now)
        if held is None:
            return self._rest("no-work")
        if self.journal.get("run") != held.run["id"]:
            return self._take_up(held, now)
        if held.recess(now):
            return self._rest("held")
        if self._settle(held, now):
            return 0.0
        return self._go_on(held, now)

    def stop(self) -> None:
        """End in order."""
        if (time := self.clock.now()) is not None and self._began:
            with self.journal.together():
                self.journal.tell("node-stopped", time[0])
                self.journal.put(running=False)
        self.journal.close()

    def _rest(self, cause: str) -> float:
        self._cause = self._cause or cause
        return 1.0

    def _begin(self, now: float) -> float:
        unplanned = bool(self.journal.get("running"))
        with self.journal.together():
            self.journal.tell("node-started", now, unplanned_stop=unplanned, goes_on=unplanned)
            self.journal.put(running=True)
        self._began = True
        return 0.0

    def _take_up(self, held: Held, now: float) -> float:
        begins = held.run["first_column"]
        if (unaccounted := held.run.get("first_unaccounted")) is not None:
            begins = max(begins, unaccounted)
        self.journal.put(run=held.run["id"], next=begins, ordered=None, late=False, segment=None, done=0, strips=[])
        self._cause = "late-start" if held.is_late(begins, now) else None
        return 0.0

    def _settle(self, held: Held, now: float) -> bool:
        """Settle what is missing before anything is laid after it; whether anything is."""
        first, ordered, late = self.journal.get("next"), self.journal.get("ordered"), self.journal.get("late")
        if ordered is None and late and not self._resumed:
            return False  # it catches up: being late is no news
        unknown_end = first if ordered is None else ordered
        is_late = held.is_late(unknown_end, now)
        end = held.first_after(now) if is_late else unknown_end
        if is_late is None or end is None or (end := max(end, unknown_end)) == first:
            self._resumed = self._resumed and is_late is None
            return False
        cause = self._cause or "board"
        decision = decide(held, cause, first, unknown_end, end)
        with self.journal.together():
            self._say_settled(held, decision, cause, now)
            place = self.journal.get("place", 0)
            onward = decision["replayed"]["first"] if decision["action"] == "replay" else end
            gone = {column: place + column - first for column in range(first, unknown_end)}
            strips.note(self.journal, held, first, onward, gone, place + unknown_end - first)
            self.journal.put(next=onward, ordered=None, late=decision["action"] == "replay")
            self.journal.put(place=place + unknown_end - first)
        self._cause, self._resumed = None, False
        return True

    def _say_settled(self, held: Held, decision: dict[str, Any], cause: str, now: float) -> None:
        unknown = decision["unknown"]
        gap = {"first": unknown["first"], "unknown_end": unknown["end"], "end": decision["replayed"]["end"]}
        due, last = held.due(unknown["end"]), self.journal.get("segment")
        half = last is not None and last["end"] > unknown["end"] and last["first"] < unknown["end"]
        gap |= {"cause": cause, "noticed_at": instant(now), "segment": last if half else None}
        gap["missing_since"] = None if due is None else instant(due)
        policy, place = held.work["policy"], self.journal.get("place", 0)
        self.journal.tell(
            "gap-settled", now, run=held.run["id"], gap=gap, policy=policy, decision=decision, paper_position=place
        )

    def _go_on(self, held: Held, now: float) -> float:
        """Lay the next burst, if it is due."""
        column, place, late = self.journal.get("next"), self.journal.get("place", 0), self.journal.get("late")
        due = held.due(column)
        if column >= held.run["end_column"] or due is None:
            return self._rest("no-work") if column < held.run["end_column"] else 1.0
        if late and now <= due:
            self._true_again(held, column, now)
            return 0.0
        earliest = self.journal.get("free_at", 0.0) if late else 0.0
        if max(due, earliest) > now:
            return max(due, earliest) - now
        if held.recess(due):
            return self._rest("held")
        end = held.burst_end(column)
        self._lay(held, column, end, place, now, due)
        return 0.0

    def _lay(self, held: Held, column: int, end: int, place: int, now: float, due: float) -> None:
        segment = held.segment(column)
        assert segment is not None
        plate = self._plate(segment["plate"])
        whole = {"first": segment["first_column"], "end": segment["end_column"]}
        done = self.journal.get("done", 0) if self.journal.get("segment") == whole else 0
        # Written down before anything moves, so that nothing is ever printed over; and again once it is done.
        self.journal.put(ordered=end, segment=whole, done=done)
        self._open(held).lay(place, [plate.column(one) for one in range(column, end)], column)
        with self.journal.together():
            self.journal.tell(
                "columns-printed",
                max(now, due),
                run=held.run["id"],
                segment=segment["number"],
                columns={"first": column, "end": end},
                columns_done=done + end - column,
                paper_position=place,
                worst_miss_s=now - due,
            )
            places = {one: place + one - column for one in range(column, end)}
            strips.note(self.journal, held, column, end, places, place + end - column)
            self.journal.put(next=end, ordered=None, place=place + end - column, done=done + end - column)
            self.journal.put(free_at=now + (end - column) / held.gain)
            strips.pass_knife(self.journal, held, now)
            if self.journal.get("late") and end >= held.run["end_column"]:
                self._true_again(held, end, now)
        self._cause = None

    def _true_again(self, held: Held, column: int, now: float) -> None:
        self.journal.tell("true-again", now, run=held.run["id"], column=column)
        self.journal.put(late=False)

    def _plate(self, digest: str) -> Plate:
        if digest not in self._plates:
            self._plates = {digest: read_plate((self.home / f"{digest}.png").read_bytes())}
        return self._plates[digest]


def _stamps(server: Server) -> tuple[float, float]:
    told = server.json("node/clock")
    return posix(told["received_at"]), posix(told["sent_at"])
