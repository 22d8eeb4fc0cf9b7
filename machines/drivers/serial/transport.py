"""The reliable exchange with a microcontroller over a serial line, as PROTOCOL.md lays it down: the node's end.

An order is sent again until the controller has taken it, and carries a number by which the controller knows that it
has it already: so each is done once and in its turn, or the exchange ends with `LinkLost` or `Halted`.
"""

from __future__ import annotations

import contextlib
import re
import threading
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from machines.chance import SYSTEM
from machines.clock import Clock
from machines.drivers.serial.framing import LineReader, encode
from machines.drivers.serial.handshake import NONE, Greeting, unless_none
from machines.drivers.serial.port import Port
from machines.errors import DayrollError, InputError

VERSION = 1
# How many orders may be under way, whatever the controller offers.
LARGEST_WINDOW = 64
_COUNT = re.compile("-?[0-9]{1,12}")
_KEYWORD = re.compile("[a-z0-9]+(-[a-z0-9]+)*")

Words = tuple[object, ...]


class LinkLost(DayrollError):
    """Nothing more is heard from the controller, or it does not get on."""


class Halted(DayrollError):
    """The controller has ended the session: it stands still, its head is capped and its knife disarmed.

    Attributes:
        reason: ``stop`` asked for, ``watchdog`` heard nothing from us, ``condition`` of the machine, an ``order`` that
            it cannot follow, ``unknown`` session: it has started again, or another node has spoken to it.
        keywords: its conditions.
    """

    def __init__(self, reason: str, keywords: tuple[str, ...]) -> None:
        super().__init__(f"halted ({reason}): {', '.join(keywords) or 'no condition'}")
        self.reason = reason
        self.keywords = keywords


@dataclass(frozen=True, kw_only=True)
class Limits:
    """How patient the node is; real seconds.

    Attributes:
        answer_s: without a word for so long, it asks or sends again; this also keeps the watchdog quiet.
        tries: so often in a row without a word, and the link is lost.
        order_s: the longest that the controller may take to get one order further, a long way of paper included.
        watchdog_s: the controller is to halt when it hears nothing for so long.
    """

    answer_s: float = 0.25
    tries: int = 8
    order_s: float = 60.0
    watchdog_s: float = 2.0

    def __post_init__(self) -> None:
        if not 0 < 4 * self.answer_s <= self.watchdog_s <= 60 or self.tries < 1 or self.order_s < self.answer_s:
            remedy = "give 0 < 4 answer_s <= watchdog_s <= 60, tries of 1 or more and order_s of answer_s or more"
            raise InputError("limits", f"{self} cannot be kept", remedy)


def new_call() -> str:
    """Eight hex digits by chance: the controller tells a call that comes twice from a new one."""
    return SYSTEM.in_hex(4)


class Link:
    """One session with a controller."""

    def __init__(self, port: Port, clock: Clock, limits: Limits, call: str) -> None:
        """Begin it.

        Args:
            port: the wire.
            clock: a real one; a microcontroller knows no other.
            limits: of patience.
            call: names this greeting; no greeting before had it.

        Raises:
            LinkLost: no answer.
            InputError: the controller speaks another version, or says of itself what cannot be used.
        """
        self._port = port
        self._clock = clock
        self._limits = limits
        self._call = call
        # The controller names the session, so that no line of an earlier one can be taken for one of this.
        self._session = ""
        self._reader = LineReader()
        self._heard: deque[list[str]] = deque()
        self._greeted: list[str] | None = None
        self._asked = self._answered = 0
        self._sent = self._taken = self._done = 0
        self._untaken: deque[tuple[int, bytes]] = deque()
        self._got_on_at = clock.elapsed()
        self._stop_asked = threading.Event()
        self.keywords: tuple[str, ...] = ()
        self.greeting = self._greet()
        self.encoder = self.greeting.encoder

    def perform(self, orders: Iterable[Words]) -> None:
        """Have orders done, each once and in turn; as many are under way as the controller can hold.

        Raises:
            Halted, LinkLost: some were done, and some perhaps not.
        """
        self._got_on_at = self._clock.elapsed()
        waiting = iter(orders)
        window = min(self.greeting.window, LARGEST_WINDOW)
        more = True
        while True:
            while more and self._sent - self._done < window:
                order = next(waiting, None)
                more = order is not None
                if order is not None:
                    self._order(order)
            if not more and self._done == self._sent:
                return
            self._listen(self._repeat)

    def ask(self) -> tuple[str, ...]:
        """The controller's conditions now; also keeps its watchdog quiet.

        Raises:
            Halted, LinkLost: it has none to tell.
        """
        self._got_on_at = self._clock.elapsed()
        self._asked += 1
        self._ask()
        while self._answered < self._asked:
            self._listen(self._ask)
        return self.keywords

    def stop(self) -> None:
        """End the session: the controller stops the motion, caps and parks the head, and disarms the knife.

        Raises:
            LinkLost: it did not say so. Its watchdog will see to it.
        """
        self._got_on_at = self._clock.elapsed()
        self._stop()
        try:
            while True:
                self._listen(self._stop)
        except Halted:
            return

    def abandon(self) -> None:
        """Say stop without waiting for a word, on a wire that may be dead."""
        with contextlib.suppress(LinkLost):
            self._stop()

    def ask_to_stop(self) -> None:
        """Have the exchange that is under way in another thread, or else the next one, end by a stop."""
        self._stop_asked.set()

    def _greet(self) -> Greeting:
        self._write(b"\n")  # ends whatever was left of a line before us
        self._hello()
        while self._greeted is None:
            self._listen(self._hello)
        self._session, version, *words = self._greeted
        if version != str(VERSION):
            raise InputError("controller.version", f"it speaks version {version}", f"version {VERSION} is spoken here")
        greeting = Greeting.read(words)
        if greeting.watchdog_ms < 4000 * self._limits.answer_s:
            problem = f"{greeting.watchdog_ms} ms is too short for a node that speaks every {self._limits.answer_s} s"
            raise InputError("controller.watchdog_ms", problem, "let the watchdog wait at least four times as long")
        return greeting

    def _hello(self) -> None:
        self._write(encode("hello", self._call, VERSION, round(self._limits.watchdog_s * 1000)))

    def _ask(self) -> None:
        self._write(encode("ask", self._session, self._asked))

    def _stop(self) -> None:
        self._write(encode("stop", self._session))

    def _order(self, words: Words) -> None:
        self._sent += 1
        line = encode("do", self._session, self._sent, *words)
        self._untaken.append((self._sent, line))
        self._write(line)

    def _repeat(self) -> None:
        """Send what was not taken again: harmless, as the controller does an order of one number once."""
        if self._untaken:
            self._write(b"".join(line for _, line in self._untaken))
        else:
            self._ask()

    def _listen(self, again: Callable[[], None]) -> None:
        """Hear one line, saying it again after each silence."""
        for _ in range(self._limits.tries):
            if self._stop_asked.is_set():
                self._stop()
            if self._clock.elapsed() - self._got_on_at > self._limits.order_s:
                raise LinkLost(f"the controller has not got on for {self._limits.order_s} s")
            words = self._next()
            if words is not None:
                self._take(words)
                return
            again()
        raise LinkLost(f"no answer, asked {self._limits.tries} times every {self._limits.answer_s} s")

    def _next(self) -> list[str] | None:
        """The next line to us; None after a silence."""
        until = self._clock.elapsed() + self._limits.answer_s
        while not self._heard:
            left = until - self._clock.elapsed()
            if left <= 0:
                return None
            try:
                received = self._port.read(left)
            except OSError as error:
                raise LinkLost(str(error)) from error
            self._heard.extend(
                words for words in self._reader.feed(received) if words[1:2] == [self._session or self._call]
            )
        return self._heard.popleft()

    def _take(self, words: list[str]) -> None:
        match words:
            case ["here", _, *greeting] if len(greeting) > 1 and not self._session:
                self._greeted = greeting
            case ["state", _, *counts, encoder, keywords] if len(counts) == 3 and _are_counts(counts, encoder):
                asked, taken, done = map(int, counts)
                self._take_state(asked, taken, done, unless_none(encoder), _keywords(keywords))
            case ["halted", _, _, reason, keywords]:
                raise Halted(reason, _keywords(keywords))

    def _take_state(self, asked: int, taken: int, done: int, encoder: int | None, keywords: tuple[str, ...]) -> None:
        if (asked, taken, done) < (self._answered, self._taken, self._done):
            return  # overtaken on the wire by a later one
        if (taken, done) != (self._taken, self._done):
            self._got_on_at = self._clock.elapsed()
        self._answered, self._taken, self._done = asked, taken, done
        self.encoder, self.keywords = encoder, keywords
        while self._untaken and self._untaken[0][0] <= taken:
            self._untaken.popleft()

    def _write(self, octets: bytes) -> None:
        try:
            self._port.write(octets)
        except OSError as error:
            raise LinkLost(str(error)) from error


def _are_counts(counts: list[str], encoder: str) -> bool:
    return all(map(_COUNT.fullmatch, counts if encoder == NONE else [*counts, encoder]))


def _keywords(word: str) -> tuple[str, ...]:
    given = () if word == "-" else word.split(",")
    return tuple(keyword if _KEYWORD.fullmatch(keyword) else "other-error" for keyword in given)
