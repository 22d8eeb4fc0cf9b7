"""A microcontroller of no machine: the controller's end of the serial protocol as PROTOCOL.md lays it down.

It knows neither wire nor clock: it is given lines and instants, and gives lines back.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

from machines.drivers.emulated.head import Make, Paper, Refusal
from machines.drivers.emulated.machine import Machine, Memory, stops

VERSION = 1
# A silence that no node can keep to would halt every session at once.
SHORTEST_WATCHDOG_S = 0.01

Words = tuple[object, ...]


@dataclass(kw_only=True)
class _Session:
    name: str
    call: str
    watchdog_s: float
    heard_at: float
    asked: int = 0
    taken: int = 0
    done: int = 0
    orders: deque[list[str]] = field(default_factory=deque)
    # When the first of the orders will be done; None if it is not begun.
    until: float | None = None
    halted: tuple[str, str] | None = None


class Controller:
    """The controller. Whoever owns it calls `receive` and `pass_time` with instants that never go back, in seconds.

    Attributes:
        machine: what it drives.
    """

    def __init__(
        self, make: Make, memory: Memory, paper: Paper, keep: Callable[[Memory], None] = lambda _: None
    ) -> None:
        """Switch it on.

        Args:
            make: what machine it belongs to.
            memory: what it remembers.
            paper: where its columns and cuts go.
            keep: called before anything moves, whenever the memory has changed.
        """
        self.machine = Machine(make, memory, paper, keep)
        self._session: _Session | None = None
        self._answers: list[Words] = []
        self._answer_due = False
        self._now = -math.inf

    @property
    def moving(self) -> bool:
        """Whether an order is being carried out."""
        return self._session is not None and self._session.until is not None

    def restart(self) -> None:
        """Lose power and get it back: all is forgotten but the memory."""
        self.machine.make_safe()
        self._session = None
        self._answers.clear()
        self._answer_due = False

    def raise_condition(self, keyword: str) -> None:
        """Something is wrong with the machine: if it is grave, stop."""
        self.machine.raise_condition(keyword)
        session = self._session
        if stops(keyword):
            self.machine.armed = False
            if session is not None and session.halted is None and (session.orders or self.machine.busy):
                self._halt(session, "condition")

    def clear_condition(self, keyword: str) -> None:
        """It is right again. Nothing moves by that alone."""
        self.machine.clear_condition(keyword)

    def receive(self, words: list[str], now: float) -> None:
        """Hear a line that came whole. One that it cannot read is as one that did not come."""
        self.pass_time(now)
        match words:
            case ["hello", call, version, watchdog_ms] if version.isdecimal() and watchdog_ms.isdecimal():
                self._hello(call, int(watchdog_ms) / 1000)
            case ["stop", name]:
                self._stop(name)
            case ["ask", name, number] if number.isdecimal():
                self._ask(name, int(number))
            case ["do", name, number, _, *_] if number.isdecimal():
                self._take(name, int(number), words[3:])

    def pass_time(self, now: float) -> None:
        """Carry on with the orders up to an instant."""
        session = self._session
        if session is not None and session.halted is None:
            self._carry_on(session, now)
        self._now = now

    def next_event(self) -> float:
        """The instant at which `pass_time` should be called next, if no line comes before."""
        session = self._session
        if session is None or session.halted is not None:
            return math.inf
        return min(session.heard_at + session.watchdog_s, math.inf if session.until is None else session.until)

    def answers(self) -> list[Words]:
        """The lines to send, as words; gives each once."""
        if self._answer_due and self._session is not None:
            self._answers.append(self._state(self._session))
        answers, self._answers, self._answer_due = self._answers, [], False
        return answers

    def _carry_on(self, session: _Session, now: float) -> None:
        limit = session.heard_at + session.watchdog_s
        while session.orders:
            if session.until is None:
                session.until = self._now + self.machine.duration_s(session.orders[0])
            if session.until > min(now, limit):
                break
            self._now, session.until = session.until, None
            if not self._carry_out(session):
                return
        if now >= limit:
            self._halt(session, "watchdog")

    def _carry_out(self, session: _Session) -> bool:
        try:
            self.machine.follow(session.orders[0])
        except Refusal as refusal:
            self._halt(session, refusal.reason, refusal.keyword)
            return False
        session.orders.popleft()
        session.done += 1
        self._answer_due = True
        return True

    def _hello(self, call: str, watchdog_s: float) -> None:
        """A new session, unless it is this one's own call once more."""
        session = self._session
        if session is None or session.call != call:
            self.machine.make_safe()
            self._answers.clear()
            granted_s = min(max(watchdog_s, SHORTEST_WATCHDOG_S), self.machine.make.longest_watchdog_s)
            name = self.machine.next_session()
            session = self._session = _Session(name=name, call=call, watchdog_s=granted_s, heard_at=self._now)
        session.heard_at = self._now
        self._answers.append(("here", call, session.name, VERSION, *self._greeting(session)))

    def _greeting(self, session: _Session) -> list[str]:
        make, memory = self.machine.make, self.machine.memory
        said = {
            "head": make.head,
            "nozzles": make.nozzles,
            "dots": make.dots,
            "pitch-nm": make.pitch_nm,
            "knife": make.knife,
            "reach": make.reach,
            "window": make.window,
            "watchdog-ms": round(session.watchdog_s * 1000),
            "end": memory.end,
            "whole": memory.whole,
            "encoder": self._encoder(),
            "counts": make.counts,
        }
        told = [f"{name}={'none' if value is None else value}" for name, value in said.items()]
        if memory.column is not None:
            told.append(f"column={memory.column}")
        # A controller that cannot be told how far to feed says nothing of it.
        told += [] if make.fine_nm is None else [f"fine-nm={make.fine_nm}"]
        return [*told, f"waste={memory.waste}"] if make.spits and make.head == "carriage" else told

    def _stop(self, name: str) -> None:
        """Whoever says stop is obeyed, and answered before anything else."""
        session = self._session
        if session is not None and session.halted is None:
            self._halt(session, "stop")
        own = session is not None and session.name == name
        answer = self._halted(session) if own else ("halted", name, 0, "stop", self.machine.keywords())
        self._answers = [answer, *(other for other in self._answers if other != answer)]

    def _ask(self, name: str, number: int) -> None:
        session = self._heard(name)
        if session is not None:
            session.asked = max(session.asked, number)

    def _take(self, name: str, number: int, order: list[str]) -> None:
        """Take an order if it is the next one. Any other is one that it has already, or one that came too early."""
        session = self._heard(name)
        if session is not None and number == session.taken + 1 and len(session.orders) < self.machine.make.window:
            session.taken = number
            session.orders.append(order)

    def _heard(self, name: str) -> _Session | None:
        """The session, if the line is of it and it can go on; otherwise that is said."""
        session = self._session
        if session is None or session.name != name:
            self._answers.append(("halted", name, 0, "unknown", self.machine.keywords()))
            return None
        if session.halted is not None:
            self._answers.append(self._halted(session))
            return None
        session.heard_at = self._now
        self._answer_due = True
        return session

    def _halt(self, session: _Session, reason: str, keyword: str | None = None) -> None:
        """Make the machine safe and forget the orders: whatever comes after needs a new session."""
        session.orders.clear()
        session.until = None
        self.machine.make_safe()
        session.halted = (reason, self.machine.keywords(keyword))
        self._answer_due = False
        self._answers.append(self._halted(session))

    def _halted(self, session: _Session | None) -> Words:
        assert session is not None and session.halted is not None
        return ("halted", session.name, session.done, *session.halted)

    def _state(self, session: _Session) -> Words:
        encoder = self._encoder()
        counts = (session.asked, session.taken, session.done, "none" if encoder is None else encoder)
        return ("state", session.name, *counts, self.machine.keywords())

    def _encoder(self) -> int | None:
        machine = self.machine
        return None if machine.make.counts is None else round(machine.memory.encoder)
