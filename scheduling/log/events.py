"""The vocabulary of the log: every fact is one of these, past tense, frozen, with a schema version.

An event says what happened; the store adds who said it, when, and when it happened. The node's own entries
(`machines.entries`) are facts as they are.

A field may be added with a default at the same schema version. Anything else raises the version, and `upcast` turns
the old form into the new one on reading: what was once written is never changed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, ClassVar, Literal, get_args

from machines import upcasts
from machines.calibration import Calibration
from machines.dot_gain import ToneCurve
from machines.entries import Entry
from machines.errors import InputError
from machines.profile import Profile
from machines.recovery import Decision, Override, Policy
from machines.structure import structure, unstructure
from machines.tone import Method
from machines.wire import SegmentWork
from scheduling.hours import Hours
from scheduling.planning.service_windows import Comes


@dataclass(frozen=True, kw_only=True)
class VenueAdded:
    """A place where machines stand. Degrees, east positive; metres above the ellipsoid's sea level; IANA zone."""

    stream: ClassVar[str] = "venue"
    name: str
    latitude_degrees: float
    longitude_degrees: float
    elevation_m: float
    zone: str


@dataclass(frozen=True, kw_only=True)
class HoursSet:
    """A venue's hours from now on are these, in place of any before; by the clocks of the venue's zone."""

    stream: ClassVar[str] = "venue"
    hours: Hours


@dataclass(frozen=True, kw_only=True)
class ProfileAdded:
    """A model of machine."""

    stream: ClassVar[str] = "profile"
    profile: Profile


@dataclass(frozen=True, kw_only=True)
class MachineAdded:
    """A machine of a profile at a venue."""

    stream: ClassVar[str] = "machine"
    name: str
    venue: str
    profile: str


@dataclass(frozen=True, kw_only=True)
class MachineCalibrated:
    """What was measured of a machine, in place of all that was measured before."""

    stream: ClassVar[str] = "machine"
    calibration: Calibration


@dataclass(frozen=True, kw_only=True)
class SourceAdded:
    """What can be printed: the parameters of a picture, of a kind of `machines.pictures`, and how it becomes dots.

    Attributes:
        upload: SHA-256, in hexadecimal, of the file that it is drawn from.
        method: how tones become dots.
        curve: of the dot gain that is undone.
    """

    stream: ClassVar[str] = "source"
    name: str
    picture: dict[str, Any]
    upload: str | None = None
    method: Method = "blue-noise"
    curve: ToneCurve | None = None


@dataclass(frozen=True, kw_only=True)
class RunPlanned:
    """A machine prints a source against a cycle over a span.

    Attributes:
        starts_at, ends_at: the span asked for.
        first_column, end_column: the running columns in it, the end excluded.
        without: versions, in the machine's stream, of what it told of the run before this and that cannot be of it; all
            else that it told of it counts from now on.
    """

    stream: ClassVar[str] = "run"
    machine: str
    source: str
    cycle: str
    cycle_options: dict[str, Any]
    segments_per_turn: int
    strips_per_turn: int
    starts_at: datetime
    ends_at: datetime
    first_column: int
    end_column: int
    policy: Policy
    nozzle_seed: int
    mean_turn_s: float
    without: tuple[int, ...] = ()


@dataclass(frozen=True, kw_only=True)
class SegmentsPlanned:
    """The segments of a run that lie in one turn, in order, and the plate that holds the turn's dots."""

    stream: ClassVar[str] = "run"
    turn: int
    plate: str
    segments: tuple[SegmentWork, ...]


@dataclass(frozen=True, kw_only=True)
class OpeningFixed:
    """Doors open at an instant; the anchor is how the curator named it."""

    stream: ClassVar[str] = "opening"
    venue: str
    name: str
    anchor: dict[str, Any]
    opens_at: datetime


@dataclass(frozen=True, kw_only=True)
class ServiceWindowFixed:
    """Somebody with hands will be at a venue, once or every week.

    Attributes:
        begins_at: of one that comes once, the instant that its anchor names; None for a weekly one.
    """

    stream: ClassVar[str] = "service"
    venue: str
    name: str
    comes: Comes
    begins_at: datetime | None


@dataclass(frozen=True, kw_only=True)
class ServiceWindowCalledOff:
    """Nobody will come in a service window any more, or not on one date.

    Attributes:
        reason: why, in the person's words.
        date: local date on which a weekly window does not begin; None for the whole window.
    """

    stream: ClassVar[str] = "service"
    reason: str | None = None
    date: str | None = None


@dataclass(frozen=True, kw_only=True)
class NodeEnrolled:
    """A board took over a machine; every earlier board is fenced off."""

    stream: ClassVar[str] = "machine"
    epoch: int


@dataclass(frozen=True, kw_only=True)
class SettlementDiffered:
    """The server, with the same facts, would have settled a gap otherwise than its node did; a person must look."""

    stream: ClassVar[str] = "machine"
    run: str
    seq: int
    ours: Decision


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
class _AsTold:
    """An entry of a node's journal that is not taken as the node told it.

    Attributes:
        seq: its number.
        entry: what the node told, whole.
        field, problem: why, or what was taken otherwise.
    """

    stream: ClassVar[str] = "machine"
    seq: int
    entry: dict[str, Any]
    field: str
    problem: str


@dataclass(frozen=True, kw_only=True)
class EntrySetAside(_AsTold):
    """It is kept as it was told, and no view takes it: it may be true of the paper, but this server does not understand
    it, or it does not fit what this server knows of the run."""


@dataclass(frozen=True, kw_only=True)
class EntryReadInPart(_AsTold):
    """The entry just before was taken, but not all of it as the node told it: it has a field that is not known here, or
    an instant that cannot be."""


@dataclass(frozen=True, kw_only=True)
class EntryPassedOver:
    """A view could not take an entry of a node's journal, and goes on without it.

    Attributes:
        seq: its number.
        view: which.
        problem: why.
    """

    stream: ClassVar[str] = "machine"
    seq: int
    view: str
    problem: str


@dataclass(frozen=True, kw_only=True)
class ReportsRefused:
    """A node told what cannot be. Its journal cannot be taken from there on, and a person must look.

    Attributes:
        field, problem: where it stands in the batch, and what is wrong with it.
    """

    stream: ClassVar[str] = "machine"
    field: str
    problem: str


@dataclass(frozen=True, kw_only=True)
class ReportsTakenAgain:
    """A node whose reports were refused told something that could be taken."""

    stream: ClassVar[str] = "machine"


@dataclass(frozen=True, kw_only=True)
class RunNotKnown:
    """A machine told, for the first time, of a run that is not known here.

    Attributes:
        run: id.
        since: when what it told happened.
        zone: of its venue.
    """

    stream: ClassVar[str] = "machine"
    run: str
    since: datetime
    zone: str


@dataclass(frozen=True, kw_only=True)
class EntriesToldAgain:
    """A node told once more what a server had taken from it and had lost.

    Attributes:
        count: how many entries.
        first_at, last_at: when the first and the last of what they tell happened.
        runs: of which they tell.
        zone: of the machine's venue.
    """

    stream: ClassVar[str] = "machine"
    count: int
    first_at: datetime
    last_at: datetime
    runs: tuple[str, ...]
    zone: str


Because = Literal["silence", "hold", "replay"]


@dataclass(frozen=True, kw_only=True)
class OutageOverridden:
    """A person decided on what is to become of an outage while it was open, in place of the policy.

    Attributes:
        run: which was being printed.
        override: the word, as the machine's node gets it.
        because: what was open: no word from the node (``silence``), a machine held until a person lets it go on
            (``hold``), or columns being printed late (``replay``).
        outage: id of the outage that is being made good, where one was settled already.
        reason: why, in the person's words.
    """

    stream: ClassVar[str] = "machine"
    run: str
    override: Override
    because: Because
    outage: str | None = None
    reason: str | None = None


@dataclass(frozen=True, kw_only=True)
class WordPassedOver:
    """A person's word on an outage was not followed, and the outage is over.

    Attributes:
        run: which was being printed.
        override: id of the word.
        given_at: when it was given.
        settled_at: when the node settled the outage without it; None if nothing was missing.
        over_at: when nothing was left of it to decide; both by the node's estimate of the server's time.
    """

    stream: ClassVar[str] = "machine"
    run: str
    override: str
    given_at: datetime
    settled_at: datetime | None
    over_at: datetime


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


StudioEvent = (
    VenueAdded
    | HoursSet
    | ProfileAdded
    | MachineAdded
    | MachineCalibrated
    | SourceAdded
    | RunPlanned
    | SegmentsPlanned
    | OpeningFixed
    | ServiceWindowFixed
    | ServiceWindowCalledOff
)
# What the server says of what a node told, beside it.
AboutReports = (
    SettlementDiffered
    | WordPassedOver
    | EntrySetAside
    | EntryReadInPart
    | EntryPassedOver
    | ReportsRefused
    | ReportsTakenAgain
    | RunNotKnown
    | EntriesToldAgain
)
ServerEvent = NodeEnrolled | SilenceBegan | NeverHeard | SilenceEnded | OutageOverridden | StreamClosed | AboutReports
Event = StudioEvent | ServerEvent | Entry


def _kind(cls: type) -> str:
    """``VenueAdded`` becomes ``venue-added``."""
    return "".join(f"-{letter.lower()}" if letter.isupper() else letter for letter in cls.__name__).lstrip("-")


KINDS: dict[str, type[Event]] = {_kind(cls): cls for cls in get_args(Event)}
NAMES: dict[type[Event], str] = {cls: kind for kind, cls in KINDS.items()}

# The schema version that is written now, where it is not 1. That of a node's entry is the node's.
SCHEMA: Mapping[str, int] = {**upcasts.SCHEMA}
# (kind, old version) -> a function from the old version's data to the next one's.
UPCASTS: Mapping[tuple[str, int], Callable[[dict[str, Any]], dict[str, Any]]] = {**upcasts.UPCASTS}


def schema_of(kind: str) -> int:
    """The schema version in which an event of this kind is written today."""
    return SCHEMA.get(kind, 1)


def to_data(event: Event) -> dict[str, Any]:
    """An event as JSON values."""
    data: dict[str, Any] = unstructure(event)
    return data


def from_data(kind: str, schema: int, data: dict[str, Any]) -> Event:
    """An event from the log, upcast to today's schema.

    Raises:
        InputError: the data do not fit the schema, or were written by a newer program.
        KeyError: no such kind, or no way up from that version.
    """
    if schema > schema_of(kind):
        raise InputError("schema", f"{kind} of version {schema}", "read it with the newer program that wrote it")
    while schema < schema_of(kind):
        data = UPCASTS[kind, schema](data)
        schema += 1
    return structure(data, KINDS[kind])
