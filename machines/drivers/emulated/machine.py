"""What the emulated controller drives: a head, a feed, a knife, and a memory of where the paper stands."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from machines.drivers.emulated.head import Burst, Make, Paper, Refusal

DISARMED = "separation-cutter-offline-warning"
LOST = "other-error"
# In place of a burst's first running column.
OF_NO_PICTURE = "-"
# Columns fed for each that is ordered, in millionths.
SMALLEST_SCALE, LARGEST_SCALE = 500_000, 2_000_000
# As many conditions as a line has room for, whatever they are.
_MOST_KEYWORDS = 4


@dataclass(kw_only=True)
class Memory:
    """What outlives a loss of power. Places are columns of paper since the first.

    Attributes:
        end: after the last that was begun; None if it was lost.
        whole: after the last that is wholly laid.
        cut: of the last cut that was begun; None before the first.
        standing: place under the first nozzle, by the motor.
        encoder: what the idler's encoder has counted since place 0; without an encoder, columns.
        sessions: how many there have been.
        waste: drops fired into the waste.
        column: running column after the last that was begun; None before the first.
    """

    end: int | None = 0
    whole: int = 0
    cut: int | None = None
    standing: int = 0
    encoder: float = 0.0
    sessions: int = 0
    waste: int = 0
    column: int | None = None


class Machine:
    """Follows one order at a time, or refuses it.

    Attributes:
        memory: what it remembers.
        armed: whether the knife would cut.
        capped: whether the head is.
    """

    def __init__(self, make: Make, memory: Memory, paper: Paper, keep: Callable[[Memory], None]) -> None:
        self.make = make
        self.memory = memory
        self.armed = False
        self.capped = True
        self._paper = paper
        self._keep = keep
        self._conditions: list[str] = []
        self._burst: Burst | None = None
        # Of this session: columns fed for each of the motor's, and columns more to feed with the next motion.
        self._scale = 1.0
        self._more = 0.0

    @property
    def busy(self) -> bool:
        """Whether a burst is begun and not ended."""
        return self._burst is not None

    @property
    def stopped(self) -> bool:
        """Whether a condition keeps it from moving."""
        return any(map(stops, self._conditions))

    def raise_condition(self, keyword: str) -> None:
        """Something is wrong."""
        if keyword not in self._conditions:
            self._conditions.append(keyword)

    def clear_condition(self, keyword: str) -> None:
        """It is right again."""
        self._conditions = [other for other in self._conditions if other != keyword]

    def keywords(self, first: str | None = None) -> str:
        """The conditions, the gravest first, as a line carries them."""
        words = [*filter(None, [first]), *sorted(self._conditions, key=stops, reverse=True)]
        if self.memory.end is None:
            words.append(LOST)
        if self.make.knife is not None and not self.armed:
            words.append(DISARMED)
        return ",".join(list(dict.fromkeys(words))[:_MOST_KEYWORDS]) or "-"

    def next_session(self) -> str:
        """A name that no session had before."""
        self.memory.sessions += 1
        self._scale, self._more = 1.0, 0.0
        self._keep(self.memory)
        return str(self.memory.sessions)

    def make_safe(self) -> None:
        """Stand still, cap the head, disarm the knife; a burst that is not ended stays as it is on the paper."""
        if self._burst is not None:
            self._burst.abandon(self._paper)
            self._burst = None
        self.armed, self.capped = False, True

    def duration_s(self, order: list[str]) -> float:
        """How long an order takes, seconds."""
        return {"step": self.make.step_s, "cut": self.make.cut_s}.get(order[0], 0.0)

    def follow(self, order: list[str]) -> None:
        """Do as ordered.

        Raises:
            Refusal: it makes no sense, or cannot be.
        """
        if self.stopped and order[0] not in ("dots", "cap"):
            raise Refusal("condition")
        match order:
            case ["burst", place, columns, first_column]:
                of_picture = None if first_column == OF_NO_PICTURE else _number(first_column)
                self._begin(_number(place), _number(columns), of_picture)
            case ["dots", part, offset, packed]:
                self._begun().stage(_number(part), _number(offset), _octets(packed))
            case ["step", place, dots]:
                self._step(_number(place), _number(dots))
            case ["cap"]:
                self._end()
            case _:
                self._follow_between_bursts(order)

    def _follow_between_bursts(self, order: list[str]) -> None:
        match order:
            case ["arm"]:
                self._arm()
            case ["cut", place]:
                self._cut(_signed(place))
            case ["scale" | "correct" as what, amount] if self.make.fine_nm is not None:
                self._set_feed(what, _signed(amount))
            case ["spit", drops, offset, packed] if self.make.spits:
                self._spit(_number(drops), _number(offset), _octets(packed))
            case ["place", place]:
                self._set_place(_number(place))
            case _:
                raise Refusal("order")

    def _begin(self, place: int, columns: int, first_column: int | None) -> None:
        """Claim the paper before the first dot is on it: after a loss of power it is not laid again. What is of no
        picture leaves the picture's last column remembered."""
        if self.busy or place < self._known_end() or columns < 1:
            raise Refusal("order")
        self.memory.end = place + columns
        if first_column is not None:
            self.memory.column = first_column + columns
        self._keep(self.memory)
        self._burst = Burst(self.make, place, columns, first_column)
        self.capped = False

    def _begun(self) -> Burst:
        if self._burst is None:
            raise Refusal("order")
        return self._burst

    def _step(self, place: int, dots: int) -> None:
        burst = self._begun()
        burst.check(place, dots)
        self._feed(place)
        burst.fire(self._paper)
        self.memory.whole = max(self.memory.whole, burst.whole)
        self._keep(self.memory)

    def _end(self) -> None:
        if not self._begun().finished:
            raise Refusal("order")
        self._burst = None
        self.capped = True

    def _arm(self) -> None:
        if self.make.knife is None:
            raise Refusal("order", "separation-cutter-missing-error")
        self.armed = True

    def _cut(self, place: int) -> None:
        end, knife = self._known_end(), self.make.knife
        if knife is None:
            raise Refusal("order", "separation-cutter-missing-error")
        if not self.armed:
            raise Refusal("order", "separation-cutter-offline-error")
        again = self.memory.cut is not None and place <= self.memory.cut
        if self.busy or again or place + knife < max(end, 0):
            raise Refusal("order", "separation-cutter-unrecoverable-failure-error")
        self.memory.end, self.memory.cut = place + knife, place
        self._keep(self.memory)
        self._feed(place + knife)
        self._paper.cut(place)
        self._keep(self.memory)

    def _set_place(self, place: int) -> None:
        """The paper stands at this place, says a person who looked. Only where it is not known better."""
        if self.memory.end is not None:
            raise Refusal("order")
        self.memory.end = self.memory.whole = self.memory.standing = place
        self.memory.encoder = place * float(self.make.counts or 1)
        self._keep(self.memory)

    def _set_feed(self, what: str, amount: int) -> None:
        """Millionths of a column for each that is ordered; or nanometres more with the next motion, less than a column:
        so the paper goes on, if less far."""
        more = self._more + amount / self.make.pitch_nm
        if self.busy or (what == "correct" and abs(more) >= 1):
            raise Refusal("order")
        if what == "correct":
            self._more = more
        elif SMALLEST_SCALE <= amount <= LARGEST_SCALE:
            self._scale = amount / 1e6
        else:
            raise Refusal("order")

    def _spit(self, drops: int, offset: int, octets: bytes) -> None:
        """At the cap, so only outside a burst, and by nozzles that there are."""
        nozzles = np.flatnonzero(np.unpackbits(np.frombuffer(octets, dtype=np.uint8))) + 8 * offset
        if self.busy or self.make.head != "carriage" or drops < 1 or (nozzles >= self.make.nozzles).any():
            raise Refusal("order")
        self.memory.waste += drops * int(nozzles.size)
        self._keep(self.memory)

    def _known_end(self) -> int:
        if self.memory.end is None:
            raise Refusal("condition")
        return self.memory.end

    def _feed(self, place: int) -> None:
        fed = place - self.memory.standing
        if fed < -self.make.reach:
            raise Refusal("condition", "media-path-failure-error")
        self.memory.standing = place
        moved = fed * self._scale + (self._more if fed else 0.0)
        self._more = 0.0 if fed else self._more
        self.memory.encoder += moved * float(self.make.counts or 1) * (1.0 - self.make.slip)


def stops(keyword: str) -> bool:
    """Whether a condition keeps a machine from moving; a keyword without a suffix is an error (RFC 8011 5.4.12)."""
    return not keyword.endswith(("-report", "-warning"))


def _number(word: str) -> int:
    if not word.isdecimal() or len(word) > 10:
        raise Refusal("order")
    return int(word)


def _signed(word: str) -> int:
    return -_number(word[1:]) if word.startswith("-") else _number(word)


def _octets(word: str) -> bytes:
    try:
        return base64.b64decode(word, validate=True)
    except binascii.Error:
        raise Refusal("order") from None
