"""Whether the server is in reach, since when and why not, kept for whoever stands beside the machine."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from machines.clock import Clock, utc
from machines.errors import InputError
from machines.node.clock.server_time import Estimate
from machines.node.sync.errands import Trouble
from machines.operator.durations import duration
from machines.operator.language import _
from machines.serialization import structure_lenient, unstructure

# While all is well the card is written to no more often than this for it, seconds.
KEPT_EVERY_S = 600.0
_CLOCK = (
    "By this board's own clock it is {clock}. If that is wrong, the board needs its time service (NTP): switch it on,"
    " and let it through the network; what this program knows of the time does not reach that far"
)
# By `machines.node.sync.failures.FailureKind`, of which a later version of this program may have kept another.
FAILURE_WORDS: Mapping[str, str] = {
    "name": "the server's name is not found: the router has no internet, or the network's name service (DNS) is ill",
    "network": "this board has no network: look at the wifi, the cable and the router",
    "closed": "the connection is refused: the server does not run, or the address is wrong; ring the studio",
    "silent": "no answer in time: the router has no internet, something blocks the way, or the server is down",
    "broke-off": "the connection breaks off: the network is poor, or something in it cuts connections",
    "certificate-expired": f"the server's certificate has expired: ring the studio. {_CLOCK}",
    "certificate-early": f"the server's certificate is not valid yet, so this board's clock may be wrong. {_CLOCK}",
    "certificate-host": "the certificate is another server's: the network leads to a page of its own (sign in to it),"
    " or the address is wrong",
    "certificate-issuer": "nobody known to this board vouches for the server's certificate: something in the network"
    " opens what is sent, or the studio has an issuer of its own that this board was not told of",
    "certificate": "no safe connection (TLS) comes about: something in the network changes what is sent",
    "plain": "what answers at this address does not speak TLS (https): the network wants to be signed in to (portal;"
    " open any page with a phone in the same network), or the address is wrong; ring the studio",
    "between": "what answers is not the server: the network wants to be signed in to (portal), or a proxy stands"
    " before a server that is down; open any page with a phone in the same network",
    "unreadable": "the answer cannot be understood: something in between changes it, or the server is of another"
    " version; ring the studio",
    "endless": "the answer is longer than any of the server's: something else answers",
    "slow": "the answer comes too slowly: the network is very poor, or something holds it back",
    "token": "the server does not know this board any more: enrol it again with a code from the studio",
    "input": "the server cannot use what this board tells it: ring the studio",
    "busy": "the server is busy or cannot write just now",
    "refused": "the server cannot do what it was asked: ring the studio",
    "fenced": "another board has taken over this machine, or this one's journal is not what the server was told",
    "files": "this board cannot read or write its own files: look at its card",
    "fault": "a fault of this program, which its log tells more of: ring the studio",
}


@dataclass(frozen=True, kw_only=True)
class Moment:
    """A moment as the board can tell it.

    Attributes:
        boot: names the count of elapsed seconds.
        elapsed_s: of that count.
        at: UTC by the server, as far as it was known; None where it was not.
    """

    boot: str
    elapsed_s: float
    at: datetime | None = None


@dataclass(frozen=True, kw_only=True)
class Reach:
    """How the server was reached at last.

    Attributes:
        heard: an answer of the server's; None before the first.
        since: the first pass that came to nothing, or to no answer; None if all is well.
        kind: why; a key of `SAYS` of this version or another. Empty if all is well.
        said: more of it, for whoever keeps the network.
        again: when it is tried next.
    """

    heard: Moment | None = None
    since: Moment | None = None
    kind: str = ""
    said: str = ""
    again: Moment | None = None

    @property
    def was_heard_since(self) -> bool:
        """Whether the server itself answered since the trouble began."""
        if self.heard is None or self.since is None:
            return self.heard is not None
        return self.heard.boot == self.since.boot and self.heard.elapsed_s >= self.since.elapsed_s


@dataclass(frozen=True, kw_only=True)
class ServerReach:
    """The same for a person, at a moment.

    Attributes:
        heard: when the server answered last, in words; empty if never.
        kind: of the trouble; empty if all is well.
        since: when it began, in words.
        says: what it is, and what a person can do.
        said: more of it, for whoever keeps the network.
        again: when it is tried next, in words; empty if that is not known.
    """

    heard: str
    kind: str
    since: str
    says: str
    said: str
    again: str

    def in_words(self) -> str:
        """In a sentence or some."""
        if not self.kind:  # while all is well, not each answer is written down
            if not self.heard:
                return _("not heard yet")
            return _("in reach; heard at least once since {when}").format(when=self.heard)
        heard = _("last heard {when}").format(when=self.heard) if self.heard else _("never heard")
        again = _("; tried again {when}").format(when=self.again) if self.again else ""
        return _("{trouble}. Since {when}; {heard}{again}").format(
            trouble=self.says, when=self.since, heard=heard, again=again
        )


NOT_HEARD = ServerReach(heard="", kind="", since="", says="", said="", again="")


def after_pass(before: Reach, trouble: Trouble | None, moment: Moment, wait_s: float, *, heard: bool) -> Reach:
    """What is known after a pass.

    Args:
        before: what was.
        trouble: the first of the pass; None if all went well.
        moment: its end.
        wait_s: until the next one, seconds.
        heard: whether the server answered in it.
    """
    now = replace(before, heard=moment if heard else before.heard)
    if trouble is None:
        return replace(now, since=None, kind="", said="", again=None)
    # From out of reach to in reach, but refused, is another trouble; from one reason for silence to another is not.
    goes_on = before.since is not None and before.was_heard_since == heard
    return replace(
        now,
        since=before.since if goes_on else moment,
        kind=trouble.kind,
        said=trouble.detail,
        again=_later(moment, wait_s),
    )


def _later(moment: Moment, by_s: float) -> Moment:
    at = None if moment.at is None else moment.at + timedelta(seconds=by_s)
    return Moment(boot=moment.boot, elapsed_s=moment.elapsed_s + by_s, at=at)


def worth_keeping(kept: Reach, now: Reach) -> bool:
    """Whether it is worth a write to the card."""
    if now.kind or kept.kind or kept.heard is None or now.heard is None or kept.heard.boot != now.heard.boot:
        return kept != now
    return now.heard.elapsed_s - kept.heard.elapsed_s >= KEPT_EVERY_S


def keep(db: sqlite3.Connection, reach: Reach) -> None:
    """Keep it."""
    db.execute("INSERT OR REPLACE INTO document (name, body) VALUES ('reach', ?)", (json.dumps(unstructure(reach)),))


def last_reach(db: sqlite3.Connection) -> Reach:
    """What was kept last. What cannot be read, of another version for one, tells nothing and hinders nothing."""
    row = db.execute("SELECT body FROM document WHERE name = 'reach'").fetchone()
    try:
        return Reach() if row is None else structure_lenient(json.loads(row[0]), Reach)
    except (InputError, ValueError):
        return Reach()


def forget(db: sqlite3.Connection) -> None:
    """What was known of another enrolment says nothing of this one."""
    db.execute("DELETE FROM document WHERE name = 'reach'")


def at_board(db: sqlite3.Connection, clock: Clock, boot: str, estimate: Estimate | None) -> ServerReach:
    """What a person at the board is told now.

    Args:
        db: its journal.
        clock: its own.
        boot: names the clock's count of elapsed seconds.
        estimate: the server's time at this moment, as far as it is known.
    """
    at = None if estimate is None else utc(estimate.now)
    return standing(last_reach(db), Moment(boot=boot, elapsed_s=clock.elapsed(), at=at), utc(clock.now()))


def standing(reach: Reach, now: Moment, board_clock: datetime) -> ServerReach:
    """What a person is told at a moment.

    Args:
        reach: what is known.
        now: the moment.
        board_clock: what the board's own clock shows.
    """
    clock = _utc(board_clock)
    if now.at is not None:
        clock = _("{time}, by the server {server_time}").format(time=clock, server_time=_utc(now.at))
    says = _(FAILURE_WORDS.get(reach.kind, reach.kind))
    again_s = None if reach.again is None or reach.again.boot != now.boot else reach.again.elapsed_s - now.elapsed_s
    return ServerReach(
        heard="" if reach.heard is None else _when(reach.heard, now),
        kind=reach.kind,
        since="" if reach.since is None else _when(reach.since, now),
        says=says.replace("{clock}", clock),
        said=reach.said,
        again="" if again_s is None else _again(again_s),
    )


def _again(in_s: float) -> str:
    return _("now") if in_s <= 0 else _("in {span}").format(span=duration(in_s))


def _when(moment: Moment, now: Moment) -> str:
    here = moment.boot == now.boot
    at = moment.at
    if at is None and here and now.at is not None:
        at = now.at - timedelta(seconds=now.elapsed_s - moment.elapsed_s)
    if at is not None:
        if not here:
            return _utc(at)
        return _("{time} ({span} ago)").format(time=_utc(at), span=duration(now.elapsed_s - moment.elapsed_s))
    if not here:
        return _("before this board was started")
    return _("{span} ago").format(span=duration(now.elapsed_s - moment.elapsed_s))


def _utc(instant: datetime) -> str:
    return f"{instant:%Y-%m-%d %H:%M} UTC"
