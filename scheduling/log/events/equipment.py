"""What people of a studio say of what there is: venues and their hours, profiles, machines, sources. See
`scheduling.log.events`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

from machines.imaging.dot_gain import ToneCurve
from machines.imaging.halftone import Method
from machines.model.calibration import Calibration
from machines.model.profile import Profile
from scheduling.planning.opening_hours import Hours
from scheduling.planning.quiet_hours import QuietHours


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
class ContactsSet:
    """Somebody said whom to ring about a venue's machines. Whom, stands beside the log (`scheduling.venues.contacts`).

    Attributes:
        remark: digest of why, see `scheduling.log.remarks`.
    """

    stream: ClassVar[str] = "venue"
    remark: str | None = None


@dataclass(frozen=True, kw_only=True)
class RecipientsSet:
    """Somebody said who is told what is amiss. Who, stands beside the log (`scheduling.telling.recipients`).

    Attributes:
        remark: digest of why, see `scheduling.log.remarks`.
    """

    stream: ClassVar[str] = "telling"
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


EquipmentEvent = (
    VenueAdded
    | VenueChanged
    | VenueRetired
    | VenueTakenBack
    | HoursSet
    | QuietHoursSet
    | ContactsSet
    | RecipientsSet
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
)
