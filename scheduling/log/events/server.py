"""What happens between a server, its boards and people while machines print: see `scheduling.log.events`."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import ClassVar, Literal

from machines.recovery import Override

Because = Literal["silence", "hold", "replay", "settling"]


@dataclass(frozen=True, kw_only=True)
class NodeEnrolled:
    """A board took over a machine; every earlier board is fenced off."""

    stream: ClassVar[str] = "machine"
    epoch: int


@dataclass(frozen=True, kw_only=True)
class SilenceBegan:
    """No word from a node for longer than agreed. Whether it prints on, only its journal knows."""

    stream: ClassVar[str] = "machine"
    last_heard_at: datetime


@dataclass(frozen=True, kw_only=True)
class NeverHeard:
    """A run is due on a machine from which no word has ever come: no board is enrolled, or its agent was never begun.
    It is silent from then on.

    Attributes:
        due_since: when the run began.
        is_enrolled: whether a board is.
    """

    stream: ClassVar[str] = "machine"
    due_since: datetime
    is_enrolled: bool


@dataclass(frozen=True, kw_only=True)
class SilenceEnded:
    """A silent node was heard again, or one that was never heard the first time."""

    stream: ClassVar[str] = "machine"
    silent_s: float


@dataclass(frozen=True, kw_only=True)
class OutageOverridden:
    """A person decided on what is to become of an outage while it was open, in place of the policy.

    Attributes:
        run: which was being printed.
        override: the word, as the machine's node gets it.
        because: what was open: no word from the node (``silence``), a machine held until a person lets it go on
            (``hold``), columns being printed late (``replay``), or a machine that goes on by itself and has still to
            settle what it missed (``settling``).
        outage: id of the outage that is being made good, where one was settled already.
        reason: why, in the person's words, where it was said before there were remarks.
        remark: digest of why, see `scheduling.log.remarks`.
    """

    stream: ClassVar[str] = "machine"
    run: str
    override: Override
    because: Because
    outage: str | None = None
    reason: str | None = None
    remark: str | None = None


@dataclass(frozen=True, kw_only=True)
class OpeningDoubted:
    """What is planned and known of a machine speaks against an opening at its venue, otherwise than was told before.

    Attributes:
        opening: its id.
        kinds: what does: see `scheduling.answers.opening_concerns`.
        said: the same in words.
    """

    stream: ClassVar[str] = "machine"
    opening: str
    kinds: tuple[str, ...]
    said: str


@dataclass(frozen=True, kw_only=True)
class OpeningNotDoubted:
    """Nothing of a machine speaks against an opening any more; or it is over, or called off."""

    stream: ClassVar[str] = "machine"
    opening: str


@dataclass(frozen=True, kw_only=True)
class StreamClosed:
    """A stream was taken out of the log into an archive file; nothing is ever appended to it again.

    Attributes:
        closed: which stream.
        version, digest: of its last event.
        file_digest: SHA-256, in hexadecimal, of the archive file.
    """

    stream: ClassVar[str] = "archive"
    closed: str
    version: int
    digest: str
    file_digest: str


@dataclass(frozen=True, kw_only=True)
class RemarkBlottedOut:
    """What a person had written in his own words was deleted for good; its digest stays where it was.

    Attributes:
        remark: the digest.
        at_event: position of the event that it was written at.
    """

    stream: ClassVar[str] = "remark"
    remark: str
    at_event: int


ServerEvent = (
    NodeEnrolled
    | SilenceBegan
    | NeverHeard
    | SilenceEnded
    | OutageOverridden
    | OpeningDoubted
    | OpeningNotDoubted
    | StreamClosed
    | RemarkBlottedOut
)
