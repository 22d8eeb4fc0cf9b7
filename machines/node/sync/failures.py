"""How a call to the server can fail, each by a name that status, panel and log have words for."""

from __future__ import annotations

from typing import Literal

from machines.errors import DayrollError

FailureKind = Literal[
    "name",  # the server's name is not found
    "network",  # the board has no network
    "closed",  # the connection is refused
    "silent",  # no answer in time
    "broke-off",
    "certificate-expired",
    "certificate-early",  # not valid yet
    "certificate-host",  # another server's
    "certificate-issuer",  # of nobody that the board trusts
    "certificate",  # TLS failed otherwise
    "plain",  # what answers speaks no TLS
    "between",  # what answers is not our server
    "unreadable",
    "endless",  # longer than any answer of ours
    "slow",  # it came, but not to its end in time
    "token",  # the server does not know the board
    "input",  # it cannot use what the board tells
    "busy",
    "refused",  # for another reason
    "fenced",
    "files",  # the board's own cannot be read or written
    "fault",  # of this program
]
# With these no connection came about, so that the next call would fare no better.
NO_CONNECTION: tuple[FailureKind, ...] = (
    "name", "network", "closed", "certificate-expired", "certificate-early", "certificate-host", "certificate-issuer",
    "certificate", "plain",
)  # fmt: skip
# These may be of the one thing that was asked for; the next may be had for all that.
OF_ONE_ANSWER: tuple[FailureKind, ...] = ("between", "unreadable", "endless", "refused")


_BY_STATUS: dict[int, FailureKind] = {401: "token", 422: "input", 429: "busy", 503: "busy"}


class CallFailed(DayrollError):
    """A call of the server came to nothing.

    Attributes:
        kind: why.
        retry_after_s: when whatever answered wants to be asked again, seconds; None if it did not say.
    """

    def __init__(self, problem: str, kind: FailureKind, retry_after_s: float | None) -> None:
        super().__init__(problem)
        self.kind: FailureKind = kind
        self.retry_after_s = retry_after_s


class Unreachable(CallFailed):
    """No answer of the server that can be read; trying again later helps."""

    def __init__(self, problem: str, kind: FailureKind = "unreadable", retry_after_s: float | None = None) -> None:
        super().__init__(problem, kind, retry_after_s)


class Refused(CallFailed):
    """The server answered with an error (problem details of RFC 9457).

    Attributes:
        status: of HTTP.
        type: the problem's own, ``about:blank`` if it has none.
        detail: what is wrong, for people.
    """

    def __init__(self, status: int, type: str, detail: str, retry_after_s: float | None) -> None:
        super().__init__(f"the server refused ({status}): {detail}", _BY_STATUS.get(status, "refused"), retry_after_s)
        self.status = status
        self.type = type
        self.detail = detail


class NotKnown(Refused):
    """The token is not good. A person must enrol the board again."""

    def __init__(self, status: int, type: str, detail: str, retry_after_s: float | None) -> None:
        super().__init__(status, type, detail, retry_after_s)
        self.remedy = "what is held is printed on, but a person must enrol this board again"


class FencedOff(Refused):
    """Another board has taken over the machine, or writes under the same name. This one must never print again unless
    it is enrolled anew."""

    def __init__(self, status: int, type: str, detail: str, retry_after_s: float | None) -> None:
        super().__init__(status, type, detail, retry_after_s)
        self.kind = "fenced"  # for good


class JournalDiffers(FencedOff):
    """The server has other entries under this journal's numbers: it is a copy, or was put back from an older one."""

    @classmethod
    def beyond(cls, through: int, last: int) -> JournalDiffers:
        """As the board sees by itself: the server has entries up to one number, and the journal to a lower one."""
        detail = (
            f"the server has {through} entries of this board, and its journal only {last}: another board is a copy of"
            " it, or the journal was put back from an older copy or has lost what it wrote last. If this is the board"
            " beside the machine, enrol it again with a new code"
        )
        return cls(200, "about:blank", detail, None)


class TooLarge(Refused):
    """The batch is larger than the server, or something before it, takes."""


class EntriesMissing(Refused):
    """The server lacks entries before these, after a restore for one.

    Attributes:
        expected: the sequence number to send from.
    """

    expected: int
