"""The PIN that lets a person beside the machine act, and the sessions that follow from it.

Only a slow hash of the PIN is kept (scrypt, RFC 7914). Who guesses is locked out for longer and longer: each address by
itself, so that nobody's guesses keep out others, and after many guesses from anywhere every browser that is not known.
One is known that once gave the PIN, until there is another PIN; it is counted by itself, wherever it calls from. How
often was guessed in all outlives a power cut, and no right PIN makes it less: staff come in every day, and a guesser
would begin anew each time. It falls by one for each hour without a guess.
"""

from __future__ import annotations

import contextlib
import hashlib
import hmac
import re
import sqlite3
import threading
from dataclasses import dataclass, replace

from machines.chance import Chance
from machines.clock import Clock
from machines.errors import DayrollError, InputError
from machines.node.store import identity
from machines.node.store.identity import Pin
from machines.node.store.journal import Journal
from machines.operator.language import _

DIGITS = 6
FREE_GUESSES, FREE_IN_ALL = 5, 50
MOST_CALLERS = 500
LOCKED_S, LONGEST_LOCKED_S = 60.0, 3600.0
FORGOTTEN_S = 3600.0
SESSION_S, LONGEST_SESSION_S = 900.0, 43_200.0
MOST_SESSIONS = 20


class LockedOut(DayrollError):
    """Too many wrong PINs.

    Attributes:
        wait_s: until one may be tried again, seconds.
    """

    def __init__(self, wait_s: float) -> None:
        super().__init__(
            _("too many wrong PINs"), _("wait {minutes} min and try again").format(minutes=round(wait_s / 60))
        )
        self.wait_s = wait_s


def new_pin(chance: Chance) -> str:
    """Digits by chance."""
    return chance.letters(DIGITS, "0123456789")


def hashed(pin: str, chance: Chance) -> Pin:
    """What is kept of a PIN.

    Raises:
        InputError: it is too short, or not digits.
    """
    if not re.fullmatch(f"[0-9]{{{DIGITS},12}}", pin):
        raise InputError("pin", "not a PIN", f"give {DIGITS} to 12 digits")
    salt = chance.octets(16)
    return Pin(salt=salt.hex(), hash=hash_of(pin, salt))


def hash_of(pin: str, salt: bytes) -> str:
    """By scrypt, which takes a board as long as it takes whoever guesses."""
    return hashlib.scrypt(pin.encode(), salt=salt, n=2**14, r=8, p=1).hex()


def _signature(name: str, known: Pin) -> str:
    """That a browser's name was given by this board; it dies with the PIN."""
    return hmac.new(bytes.fromhex(known.hash), f"browser {name}".encode(), "sha256").hexdigest()


def _known_as(introduction: str, known: Pin) -> str:
    """The name of a browser that gave this PIN before; empty for any other."""
    name, _, signature = introduction.partition(".")
    return name if hmac.compare_digest(signature.encode(), _signature(name, known).encode()) else ""


@dataclass
class Session:
    """A person who gave the PIN.

    Attributes:
        form_token: must come with each form, so that no other page can send one.
        began_at_s: elapsed second at which the PIN was given.
        used_at_s: elapsed second of the last use.
        salt: of the PIN that was given; the session ends with it.
    """

    form_token: str
    began_at_s: float
    used_at_s: float
    salt: str


@dataclass
class Tally:
    """Wrong PINs of one caller, or of all, and the elapsed second of the last."""

    failures: int = 0
    failed_at_s: float = 0.0


class Guard:
    """Lets people in. Several threads may ask; one PIN is tried at a time."""

    def __init__(self, journal: Journal, clock: Clock, chance: Chance) -> None:
        self._journal, self._clock, self._chance = journal, clock, chance
        self._lock = threading.Lock()
        self._sessions: dict[str, Session] = {}
        self.tallies: dict[str, Tally] = {}
        self._counted: Pin | None = None
        self._in_all = Tally(failed_at_s=clock.elapsed())

    def enter(self, pin: str, address: str = "", introduction: str = "") -> str | None:
        """A new session's secret name for a right PIN; None for a wrong one, or where none was set.

        Args:
            pin: that is tried.
            address: it comes from.
            introduction: by the browser, of who it is; see `introduced`.

        Raises:
            LockedOut: this caller may not try now, or nobody who is not known.
            sqlite3.Error: it was wrong, and the card cannot be written; this process counts it for all that.
        """
        with self._lock:
            with self._journal.reading() as db:
                known = identity.pin(db)
            if known is None:
                return None
            browser = _known_as(introduction, known)
            caller = browser or address
            self._require_unlocked(self.tallies.get(caller, Tally()), FREE_GUESSES)
            in_all = self._guessed_in_all(known)
            if not browser:
                self._require_unlocked(in_all, FREE_IN_ALL)
            if not hmac.compare_digest(hash_of(pin, bytes.fromhex(known.salt)), known.hash):
                self._count_wrong(caller, in_all)
                self._keep_count(known, self._in_all.failures)
                return None
            self.tallies.pop(caller, None)
            if in_all.failures != known.failures:
                with contextlib.suppress(sqlite3.Error):  # that it fell can be kept later; nobody is shut out for it
                    self._keep_count(known, in_all.failures)
            return self._new_session(known.salt)

    def _guessed_in_all(self, known: Pin) -> Tally:
        """As it has fallen by now. What another process has written counts, another PIN for one; what this one could
        not write counts, too."""
        if known != self._counted:
            self._counted, self._in_all = known, Tally(known.failures, self._in_all.failed_at_s)
        fallen = int((self._clock.elapsed() - self._in_all.failed_at_s) / FORGOTTEN_S)
        return replace(self._in_all, failures=max(0, self._in_all.failures - fallen))

    def _keep_count(self, known: Pin, failures: int) -> None:
        counted = replace(known, failures=failures)
        with self._journal.transaction() as db:
            if identity.pin(db) != known:  # another was set while this one was tried
                return
            identity.keep_pin(db, counted)
        self._counted = counted

    def introduced(self) -> str:
        """What a browser that just gave the PIN keeps, by which it is known from now on."""
        with self._journal.reading() as db:
            known = identity.pin(db)
        name = self._chance.in_hex(16)
        return "" if known is None else f"{name}.{_signature(name, known)}"

    def _count_wrong(self, caller: str, in_all: Tally) -> None:
        now_s = self._clock.elapsed()
        tally = self.tallies.pop(caller, Tally())
        while len(self.tallies) >= MOST_CALLERS:
            del self.tallies[next(iter(self.tallies))]  # whose last try is longest ago
        self.tallies[caller] = Tally(tally.failures + 1, now_s)
        self._in_all = Tally(in_all.failures + 1, now_s)

    def session(self, name: str) -> Session | None:
        """The session of a secret name, if it was used of late, and the PIN is still the same."""
        with self._lock:
            found, now_s = self._sessions.get(name), self._clock.elapsed()
            if found is None or self._is_over(found, now_s) or not self._still(found):
                self._sessions.pop(name, None)
                return None
            found.used_at_s = now_s
            return found

    @staticmethod
    def _is_over(session: Session, now_s: float) -> bool:
        return now_s - session.used_at_s > SESSION_S or now_s - session.began_at_s > LONGEST_SESSION_S

    def _still(self, session: Session) -> bool:
        with self._journal.reading() as db:
            known = identity.pin(db)
        return known is not None and known.salt == session.salt

    def leave(self, name: str) -> None:
        """End a session."""
        with self._lock:
            self._sessions.pop(name, None)

    def _require_unlocked(self, tally: Tally, free: int) -> None:
        over = tally.failures - free
        if over < 0:
            return
        locked_s = min(LOCKED_S * 2.0 ** min(over, 10), LONGEST_LOCKED_S)
        wait_s = tally.failed_at_s + locked_s - self._clock.elapsed()
        if wait_s > 0:
            raise LockedOut(wait_s)

    def _new_session(self, salt: str) -> str:
        while len(self._sessions) >= MOST_SESSIONS:
            del self._sessions[min(self._sessions, key=lambda name: self._sessions[name].used_at_s)]
        name, now_s = self._chance.in_text(32), self._clock.elapsed()
        self._sessions[name] = Session(self._chance.in_text(32), now_s, now_s, salt)
        return name
