"""Walking the log from its beginning: every link of every stream's chain, and every event by its schema."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from machines.errors import InputError
from scheduling.log.digest import NONE_BEFORE
from scheduling.log.lines import Line, scan

Progress = Callable[[int], None]


class BrokenLink(Exception):
    """The log is not what was written.

    Attributes:
        line: the first line that does not fit.
        problem: what is wrong with it.
    """

    def __init__(self, line: Line, problem: str) -> None:
        super().__init__(f"event {line.position} ({line.stream} version {line.version}, {line.kind}): {problem}")
        self.line = line
        self.problem = problem


@dataclass(frozen=True)
class Head:
    """The end of a stream."""

    version: int
    digest: str


def verify(*, using: str = "default", progress: Progress = lambda position: None) -> dict[str, Head]:
    """Walk the log and return the head of every stream.

    Args:
        using: alias of the database.
        progress: called with the position of each event, once it was found good.

    Raises:
        BrokenLink: names the first event that does not fit.
    """
    heads: dict[str, Head] = {}
    for line in walk(scan(using=using), heads):
        progress(line.position)
    return heads


def walk(lines: Iterator[Line], heads: dict[str, Head]) -> Iterator[Line]:
    """Pass lines of the whole log on, each once it was found good, and keep the heads up.

    Raises:
        BrokenLink: names the first that does not fit.
    """
    for position, line in enumerate(lines, 1):
        if line.position != position:
            raise BrokenLink(line, f"it stands where event {position} should: events are missing before it")
        _check_link(line, heads.get(line.stream, Head(0, NONE_BEFORE)))
        _check_event(line)
        heads[line.stream] = Head(line.version, line.digest)
        yield line


def _check_link(line: Line, head: Head) -> None:
    if line.version != head.version + 1:
        raise BrokenLink(line, f"its stream was at version {head.version} before it")
    if line.previous_digest != head.digest:
        raise BrokenLink(line, "it does not follow from the event before it in its stream")
    if line.computed_digest() != line.digest:
        raise BrokenLink(line, "it was changed after it was written")


def _check_event(line: Line) -> None:
    try:
        fact = line.fact()
    except (InputError, KeyError, ValueError) as error:
        raise BrokenLink(line, f"it cannot be read: {error}") from error
    if fact.run != line.run:
        raise BrokenLink(line, f"it is about the run {fact.run!r}, but is filed under {line.run!r}")
