"""What people of a studio, or its planner on their behalf, say: see `scheduling.log.events`."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any, ClassVar

from machines.imaging.dot_gain import ToneCurve
from machines.imaging.halftone import Method
from machines.model.calibration import Calibration
from machines.model.profile import Profile
from machines.protocol.messages import SegmentWork
from machines.protocol.recesses import Recess
from machines.recovery import Policy
from scheduling.planning.opening_hours import Hours
from scheduling.planning.quiet_hours import QuietHours
from scheduling.planning.recurrence import Together
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
class VenueChanged:
    """A venue is this from now on, in place of what was said of it before; its hours stay.

    Attributes:
        remark: digest of why it was changed, see `scheduling.log.remarks`.
    """

    stream: ClassVar[str] = "venue"
    name: str
    latitude_degrees: float
    longitude_degrees: float
    elevation_m: float
    zone: str
    remark: str | None = None


@dataclass(frozen=True, kw_only=True)
class VenueRetired:
    """A venue is used no more; the remark is the digest of why, see `scheduling.log.remarks`."""

    stream: ClassVar[str] = "venue"
    remark: str | None = None


@dataclass(frozen=True, kw_only=True)
class VenueTakenBack:
    """A venue that was retired is used again; the remark is the digest of why, see `scheduling.log.remarks`."""

    stream: ClassVar[str] = "venue"
    remark: str | None = None


@dataclass(frozen=True, kw_only=True)
class HoursSet:
    """A venue's hours from now on are these, in place of any before; by the clocks of the venue's zone.

    Attributes:
        remark: digest of why, see `scheduling.log.remarks`.
    """

    stream: ClassVar[str] = "venue"
    hours: Hours
    remark: str | None = None


@dataclass(frozen=True, kw_only=True)
class QuietHoursSet:
    """A venue's quiet hours from now on are these, in place of any before; by the clocks of the venue's zone.

    Attributes:
        remark: digest of why, see `scheduling.log.remarks`.
    """

    stream: ClassVar[str] = "venue"
    quiet: QuietHours
    remark: str | None = None


@dataclass(frozen=True, kw_only=True)
class ProfileAdded:
    """A model of machine."""

    stream: ClassVar[str] = "profile"
    profile: Profile


@dataclass(frozen=True, kw_only=True)
class ProfileChanged:
    """A model of machine is this from now on, in place of what was said of it before.

    Attributes:
        version: which of its versions this is; the one that it had, where only its name is another. Before there were
            versions, it could change only while nothing was measured by it: that is the first still.
        remark: digest of why it was changed, see `scheduling.log.remarks`.
    """

    stream: ClassVar[str] = "profile"
    profile: Profile
    version: int = 1
    remark: str | None = None


@dataclass(frozen=True, kw_only=True)
class ProfileRetired:
    """It is used for nothing new any more; the remark is the digest of why, see `scheduling.log.remarks`."""

    stream: ClassVar[str] = "profile"
    remark: str | None = None


@dataclass(frozen=True, kw_only=True)
class ProfileTakenBack:
    """It is used again after it was retired; the remark is the digest of why, see `scheduling.log.remarks`."""

    stream: ClassVar[str] = "profile"
    remark: str | None = None


@dataclass(frozen=True, kw_only=True)
class MachineAdded:
    """A machine of a profile at a venue."""

    stream: ClassVar[str] = "machine"
    name: str
    venue: str
    profile: str


@dataclass(frozen=True, kw_only=True)
class MachineChanged:
    """A machine is this from now on, in place of what was said of it before; what was measured of it stays.

    Attributes:
        runs_keep: whether runs that do not name the model by which they were planned keep the one before. Without this
            word it could change only while no run was planned by it.
        remark: digest of why it was changed, see `scheduling.log.remarks`.
    """

    stream: ClassVar[str] = "machine"
    name: str
    venue: str
    profile: str
    runs_keep: bool = False
    remark: str | None = None


@dataclass(frozen=True, kw_only=True)
class MachineRetired:
    """A machine is used no more; the remark is the digest of why, see `scheduling.log.remarks`."""

    stream: ClassVar[str] = "machine"
    remark: str | None = None


@dataclass(frozen=True, kw_only=True)
class MachineTakenBack:
    """A machine that was retired is used again; the remark is the digest of why, see `scheduling.log.remarks`."""

    stream: ClassVar[str] = "machine"
    remark: str | None = None


@dataclass(frozen=True, kw_only=True)
class MachineCalibrated:
    """What was measured of a machine, in place of all that was measured before."""

    stream: ClassVar[str] = "machine"
    calibration: Calibration


@dataclass(frozen=True, kw_only=True)
class SourceAdded:
    """What can be printed: the parameters of a picture, of a kind of `machines.imaging.pictures`, and how it becomes
    dots.

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
class SourceChanged:
    """What can be printed is this from now on, in place of what was said of it before; see `SourceAdded`.

    Attributes:
        version: which of its versions this is, as that of `ProfileChanged`; before there were any, it could change only
            while no run had ever named it.
        remark: digest of why it was changed, see `scheduling.log.remarks`.
    """

    stream: ClassVar[str] = "source"
    name: str
    picture: dict[str, Any]
    upload: str | None = None
    method: Method = "blue-noise"
    curve: ToneCurve | None = None
    version: int = 1
    remark: str | None = None


@dataclass(frozen=True, kw_only=True)
class SourceRetired:
    """It is used for nothing new any more; the remark is the digest of why, see `scheduling.log.remarks`."""

    stream: ClassVar[str] = "source"
    remark: str | None = None


@dataclass(frozen=True, kw_only=True)
class SourceTakenBack:
    """It is used again after it was retired; the remark is the digest of why, see `scheduling.log.remarks`."""

    stream: ClassVar[str] = "source"
    remark: str | None = None


@dataclass(frozen=True, kw_only=True)
class RunPlanned:
    """A machine prints a source against a cycle over a span.

    Attributes:
        starts_at, ends_at: the span asked for.
        first_column, end_column: the running columns in it, the end excluded.
        without: versions, in the machine's stream, of what it told of the run before this and that cannot be of it; all
            else that it told of it counts from now on.
        succeeds: id of the run that it follows without a gap; None where it follows none.
        profile: the model by which it is printed, whatever its machine becomes; None before that could change.
        profile_version, source_version: the versions of model and source by which it is printed; before there were any,
            what either of them was is the first.
        only_while_open: the closed hours of the machine's venue are recesses of it, see `RunHeld`.
        recesses: those of the run that it follows, as far as they last.
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
    succeeds: str | None = None
    profile: str | None = None
    profile_version: int = 1
    source_version: int = 1
    only_while_open: bool = False
    recesses: tuple[Recess, ...] = ()


@dataclass(frozen=True, kw_only=True)
class SegmentsPlanned:
    """The segments of a run that lie in one turn, in order, and the plate that holds the turn's dots."""

    stream: ClassVar[str] = "run"
    turn: int
    plate: str
    segments: tuple[SegmentWork, ...]


@dataclass(frozen=True, kw_only=True)
class RunChanged:
    """A run is this from now on, in place of what was said of it before: it has not begun, and nothing was told of it.
    What was planned of it is planned anew. What a board that did not know of it prints by the plan before is none of
    it.

    Attributes:
        starts_at, ends_at: the span asked for.
        first_column, end_column: the running columns in it, the end excluded.
        remark: digest of why, see `scheduling.log.remarks`.
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
    succeeds: str | None = None
    profile: str | None = None
    profile_version: int = 1
    source_version: int = 1
    only_while_open: bool = False
    remark: str | None = None


@dataclass(frozen=True, kw_only=True)
class RunMovedAway:
    """A run that was this machine's is another's from now on; its board lets go of it.

    Attributes:
        run: id.
        first_column: that the run began with here.
        formed: revision of the run since which it is another machine's.
        remark: digest of why, see `scheduling.log.remarks`.
    """

    stream: ClassVar[str] = "machine"
    run: str
    first_column: int
    formed: int
    remark: str | None = None


@dataclass(frozen=True, kw_only=True)
class RunWithdrawn:
    """A run is taken back before its first column lay. What a board that did not know of it prints all the same is
    true; the remark is the digest of why, see `scheduling.log.remarks`."""

    stream: ClassVar[str] = "run"
    remark: str | None = None


@dataclass(frozen=True, kw_only=True)
class RunEnded:
    """A run ends elsewhere than was said before, earlier or later. What a board that did not know of it printed beyond
    is true.

    Attributes:
        end_column: the running column after its last.
        ends_at: when that belongs under the head, before any waiting of the timeline.
        segments: those whose columns are others now: one that the end clips, or that no end clips any more.
        remark: digest of why, see `scheduling.log.remarks`.
        followed_by: id of the run that goes on from there; None where none does.
    """

    stream: ClassVar[str] = "run"
    end_column: int
    ends_at: datetime
    segments: tuple[SegmentWork, ...] = ()
    remark: str | None = None
    followed_by: str | None = None


@dataclass(frozen=True, kw_only=True)
class RunHeld:
    """People hold a run: nothing of it is laid in a recess. What a board that did not know of it laid there is true.

    Attributes:
        recesses: all of them that are known now, in order, over ones among them.
        remark: digest of why, see `scheduling.log.remarks`.
    """

    stream: ClassVar[str] = "run"
    recesses: tuple[Recess, ...]
    remark: str | None = None


@dataclass(frozen=True, kw_only=True)
class RunContinued:
    """A recess of a run ends, or is taken back before it began. See `RunHeld`."""

    stream: ClassVar[str] = "run"
    recesses: tuple[Recess, ...]
    remark: str | None = None


@dataclass(frozen=True, kw_only=True)
class OpeningFixed:
    """Doors open at an instant; the anchor is how the curator named it. Fixed again, it is what it is now: moved, named
    otherwise, or standing again after it was called off.

    Attributes:
        closing, closes_at: when it is over, where that was said.
        remark: digest of why it was changed, see `scheduling.log.remarks`.
        series: id of the one that it is of; None for none.
        series_date: local date of that series' rule for which it stands; None where it has none.
        on_its_own: whether it was changed by itself, and follows its series no more.
    """

    stream: ClassVar[str] = "opening"
    venue: str
    name: str
    anchor: dict[str, Any]
    opens_at: datetime
    closing: dict[str, Any] | None = None
    closes_at: datetime | None = None
    remark: str | None = None
    series: str | None = None
    series_date: str | None = None
    on_its_own: bool = False


@dataclass(frozen=True, kw_only=True)
class OpeningCalledOff:
    """Doors do not open; the remark is the digest of why, see `scheduling.log.remarks`."""

    stream: ClassVar[str] = "opening"
    remark: str | None = None


@dataclass(frozen=True, kw_only=True)
class OpeningSeriesFixed:
    """Openings that recur, or are held at several venues; each of them is told of by itself. Fixed again, it is what it
    is now, or stands again after it was called off.

    Attributes:
        rule: of RFC 5545, by which it recurs; None where it is once.
        dates_off: local dates on which it is not.
        anchor, closing: of the first.
        together: how those at several venues belong together.
        remark: digest of why it was changed, see `scheduling.log.remarks`.
    """

    stream: ClassVar[str] = "series"
    name: str
    venues: tuple[str, ...]
    together: Together
    anchor: dict[str, Any]
    closing: dict[str, Any] | None
    rule: str | None
    dates_off: tuple[str, ...]
    remark: str | None = None


@dataclass(frozen=True, kw_only=True)
class OpeningSeriesCalledOff:
    """What is to come of a series is not held; the remark is the digest of why, see `scheduling.log.remarks`."""

    stream: ClassVar[str] = "series"
    remark: str | None = None


@dataclass(frozen=True, kw_only=True)
class ServiceWindowFixed:
    """Somebody with hands will be at a venue, once or every week. Fixed again, it is what it is now: moved, named
    otherwise, or standing again after it was called off.

    Attributes:
        begins_at: of one that comes once, the instant that its anchor names; None for a weekly one.
        dates_off: local dates on which a weekly one does not begin, in order.
        remark: digest of why it was changed, see `scheduling.log.remarks`.
    """

    stream: ClassVar[str] = "service"
    venue: str
    name: str
    comes: Comes
    begins_at: datetime | None
    dates_off: tuple[str, ...] = ()
    remark: str | None = None


@dataclass(frozen=True, kw_only=True)
class ServiceWindowCalledOff:
    """Nobody will come in a service window any more, or not on one date.

    Attributes:
        reason: why, in the person's words, where it was said before there were remarks.
        remark: digest of why, see `scheduling.log.remarks`.
        date: local date on which a weekly window does not begin; None for the whole window.
    """

    stream: ClassVar[str] = "service"
    reason: str | None = None
    remark: str | None = None
    date: str | None = None


StudioEvent = (
    VenueAdded
    | VenueChanged
    | VenueRetired
    | VenueTakenBack
    | HoursSet
    | QuietHoursSet
    | ProfileAdded
    | ProfileChanged
    | ProfileRetired
    | ProfileTakenBack
    | MachineAdded
    | MachineChanged
    | MachineRetired
    | MachineTakenBack
    | MachineCalibrated
    | SourceAdded
    | SourceChanged
    | SourceRetired
    | SourceTakenBack
    | RunPlanned
    | RunChanged
    | RunMovedAway
    | SegmentsPlanned
    | RunWithdrawn
    | RunEnded
    | RunHeld
    | RunContinued
    | OpeningFixed
    | OpeningCalledOff
    | OpeningSeriesFixed
    | OpeningSeriesCalledOff
    | ServiceWindowFixed
    | ServiceWindowCalledOff
)
