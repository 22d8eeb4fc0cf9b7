"""What a controller says of itself when a session begins. See PROTOCOL.md."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from machines.errors import InputError

# In place of a number that there is none of.
NONE = "none"


@dataclass(frozen=True, kw_only=True)
class Greeting:
    """What the controller says of itself when a session begins. Places are columns of paper since the first.

    Attributes:
        head: its kind.
        nozzles: of a carriage head in a row along the feed, or most strobes of a column that a line head can hold.
        dots: in a column.
        pitch_nm: of the columns, nanometres.
        knife: columns of paper from the head's first nozzle to the blade; None without a knife.
        reach: how many columns of paper it can draw back.
        window: orders that it can hold.
        watchdog_ms: how long a silence it stands, milliseconds.
        end: place after the last that it has begun to lay, as it remembers through a loss of power; None if it does
            not know where its paper stands.
        whole: place after the last that it knows to be wholly laid.
        encoder: count of its encoder, 0 at place 0; None without an encoder.
        counts: of the encoder in one column; None without an encoder.
        column: running column after the last that it has begun to lay, as it remembers; None if it does not.
        waste: drops fired into the waste so far; None for a controller that cannot fire there.
        fine_nm: the least that its feed can move, nanometres; None for a controller that cannot correct or scale it.
    """

    head: Literal["carriage", "line"]
    nozzles: int
    dots: int
    pitch_nm: int
    knife: int | None
    reach: int
    window: int
    watchdog_ms: int
    end: int | None
    whole: int
    encoder: int | None
    counts: Fraction | None
    column: int | None
    fine_nm: int | None
    waste: int | None

    @classmethod
    def read(cls, words: list[str]) -> Greeting:
        """From ``name=value`` words; names that are not known are ignored.

        Raises:
            InputError: names what is missing or cannot be read.
        """
        given = dict(word.partition("=")[::2] for word in words)
        values: dict[str, object] = {}
        for name, reads in _READS.items():
            word = given.get(name.replace("_", "-"), NONE if name in _MAY_BE_UNSAID else "")
            try:
                values[name] = reads(word)
            except (ValueError, ZeroDivisionError):
                problem = f"{word!r} in the controller's greeting"
                raise InputError(f"controller.{name}", problem, "see PROTOCOL.md for what it must say") from None
        if values["encoder"] is not None and values["counts"] is None:
            remedy = "see PROTOCOL.md for what it must say"
            raise InputError("controller.counts", "not said of an encoder that counts", remedy)
        return cls(**values)  # type: ignore[arg-type]  # each is what its entry in `_READS` makes of a word


def _head(word: str) -> str:
    if word not in ("carriage", "line"):
        raise ValueError(word)
    return word


def _positive(word: str) -> int:
    if int(word) < 1:
        raise ValueError(word)
    return int(word)


def unless_none(word: str) -> int | None:
    """The number that a word of the controller's says; None where it says that there is none."""
    return None if word == NONE else int(word)


def _positive_unless_none(word: str) -> int | None:
    return None if word == NONE else _positive(word)


def _counts(word: str) -> Fraction | None:
    counts = None if word == NONE else Fraction(word)
    if counts is not None and counts <= 0:
        raise ValueError(word)
    return counts


# A controller of before these were thought of does not say them.
_MAY_BE_UNSAID = frozenset({"encoder", "counts", "column", "fine_nm", "waste"})
_READS: dict[str, Callable[[str], object]] = {
    "head": _head,
    "nozzles": _positive,
    "dots": _positive,
    "pitch_nm": _positive,
    "knife": unless_none,
    "reach": int,
    "window": _positive,
    "watchdog_ms": _positive,
    "end": unless_none,
    "whole": int,
    "encoder": unless_none,
    "counts": _counts,
    "column": unless_none,
    "fine_nm": _positive_unless_none,
    "waste": unless_none,
}
