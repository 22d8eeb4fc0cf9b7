"""Facts for the tests, with every field that does not matter filled in."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any, Literal, get_args

from machines.model.calibration import Calibration
from machines.model.profile import CarriageHead, Knife, Media, Profile
from machines.protocol.journal_entries import (
    Action,
    ColumnsPrinted,
    ConditionsChanged,
    FeedCorrected,
    GapSettled,
    KnifeArmed,
    KnifeDisarmed,
    NodeStarted,
    NodeStopped,
    OperatorActed,
    SetTimeCompared,
    SlipMeasured,
    StripCut,
    TrueAgain,
)
from machines.protocol.messages import SegmentWork
from machines.protocol.recesses import Recess
from machines.recovery import (
    Cause,
    Columns,
    Decision,
    Gap,
    Override,
    Pace,
    Policy,
    Rule,
    RuleKind,
    settle,
)
from machines.serialization import unstructure
from scheduling.log.events import Event
from scheduling.log.events.access import (
    AccountClosed,
    AccountMade,
    AccountReopened,
    CalendarAddressChanged,
    CalendarWishesSet,
    CodeCancelled,
    CodeMade,
    KeyMade,
    KeyRevoked,
    NodeRevoked,
    RoleChanged,
)
from scheduling.log.events.equipment import (
    ContactsSet,
    HoursSet,
    MachineAdded,
    MachineCalibrated,
    MachineChanged,
    MachineRetired,
    MachineTakenBack,
    ProfileAdded,
    ProfileChanged,
    ProfileRetired,
    ProfileTakenBack,
    QuietHoursSet,
    RecipientsSet,
    SourceAdded,
    SourceChanged,
    SourceRetired,
    SourceTakenBack,
    VenueAdded,
    VenueChanged,
    VenueRetired,
    VenueTakenBack,
)
from scheduling.log.events.plans import (
    RunChanged,
    RunContinued,
    RunEnded,
    RunHeld,
    RunMovedAway,
    RunPlanned,
    RunWithdrawn,
    SegmentsPlanned,
)
from scheduling.log.events.reports import (
    EntriesToldAgain,
    EntryPassedOver,
    EntryReadInPart,
    EntrySetAside,
    EntryToldTwice,
    PrintedByEarlierPlan,
    PrintedThoughWithdrawn,
    ReportsRefused,
    ReportsTakenAgain,
    RunNotKnown,
    SettlementDiffered,
    WordPassedOver,
)
from scheduling.log.events.server import (
    NeverHeard,
    NodeEnrolled,
    OpeningDoubted,
    OpeningNotDoubted,
    OutageOverridden,
    RemarkBlottedOut,
    SilenceBegan,
    SilenceEnded,
    StreamClosed,
)
from scheduling.log.events.visits import (
    OpeningCalledOff,
    OpeningFixed,
    OpeningSeriesCalledOff,
    OpeningSeriesFixed,
    ServiceWindowCalledOff,
    ServiceWindowFixed,
)
from scheduling.log.recorded import Recorded
from scheduling.log.store import Append, Attribution, append
from scheduling.planning.opening_hours import DateHours, Hours, OpenSpan, Week
from scheduling.planning.quiet_hours import QuietDate, QuietHours, QuietSpan, QuietWeek
from scheduling.planning.service_windows import Once, Weekly

NOW = datetime(2026, 3, 28, 23, 30, tzinfo=UTC)
PLATE = "5" * 64
CAUSES = get_args(Cause)
COLUMNS_PER_SEGMENT = 50


def at(minutes: float) -> datetime:
    return NOW + timedelta(minutes=minutes)


def by(minutes: float = 0, actor: str = "account-1", request: str | None = "request-1") -> Attribution:
    return Attribution(actor=actor, request=request, said_at=at(minutes))


def say(stream: str, *events: Event, using: str = "default", minutes: float = 0) -> tuple[Recorded, ...]:
    """Append to a stream at whatever version it is."""
    return append([Append(stream, None, events)], by(minutes), using=using)


def venue(**changes: Any) -> VenueAdded:
    fields: dict[str, Any] = {
        "name": "The Boathouse",
        "latitude_degrees": 47.56,
        "longitude_degrees": -52.71,
        "elevation_m": 12.0,
        "zone": "America/St_Johns",
    }
    return VenueAdded(**fields | changes)


def hours_set(opens: str = "10:00", closes: str = "18:00") -> HoursSet:
    """Weekdays; on one Saturday of its own too, and until after midnight."""
    day = (OpenSpan(opens=opens, closes=closes),)
    week = Week(monday=day, tuesday=day, wednesday=day, thursday=day, friday=day)
    late = DateHours(date="2026-10-24", open=(OpenSpan(opens="20:00", closes="02:00"),))
    return HoursSet(hours=Hours(week=week, dates=(late,)))


def quiet_hours_set(begins: str = "22:00", ends: str = "07:00") -> QuietHoursSet:
    night = QuietSpan(begins=begins, ends=ends)
    quiet = QuietHours(week=QuietWeek(monday=(night,)), dates=(QuietDate(date="2026-12-24", quiet=()),))
    return QuietHoursSet(quiet=quiet)


def machine(**changes: Any) -> MachineAdded:
    return MachineAdded(**{"name": "Left wall", "venue": "boathouse", "profile": "carriage"} | changes)


def profile() -> ProfileAdded:
    return ProfileAdded(
        profile=Profile(
            name="Carriage",
            columns_per_turn=200,
            mm_per_turn=400.0,
            dots_across=64,
            print_width_mm=128.0,
            highest_mm_per_hour=60.5,
            head=CarriageHead(nozzles=16, passes=4, drop_pl=4.0),
            media=Media(width_mm=150.0, caliper_mm=0.2, roll_m=50.0),
            knife=Knife(head_to_knife_mm=90.0, cuts_per_blade=1000),
        )
    )


def calibrated(**measured: Any) -> MachineCalibrated:
    return MachineCalibrated(calibration=Calibration(**measured))


def source(**picture: Any) -> SourceAdded:
    return SourceAdded(name="Land", picture={"kind": "land", "scale": 1.0} | picture)


def run(**changes: Any) -> RunPlanned:
    fields: dict[str, Any] = {
        "machine": "left",
        "source": "land",
        "cycle": "period",
        "cycle_options": {"seconds": 86400.0, "epoch": 0.0},
        "segments_per_turn": 4,
        "strips_per_turn": 2,
        "starts_at": NOW,
        "ends_at": at(3 * 24 * 60),
        "first_column": 0,
        "end_column": 600,
        "policy": Policy(kind="skip"),
        "nozzle_seed": 7,
        "mean_turn_s": 86400.0,
    }
    return RunPlanned(**fields | changes)


# Of a run that is planned, and not of one that is changed before it begins.
NOT_CHANGED = ("without", "recesses")


def run_changed(**changes: Any) -> RunChanged:
    said = {name: value for name, value in vars(run(**changes)).items() if name not in NOT_CHANGED}
    return RunChanged(**said)


def segment(number: int, columns: int = COLUMNS_PER_SEGMENT) -> SegmentWork:
    first = number * columns
    return SegmentWork(
        number=number,
        first_column=first,
        end_column=first + columns,
        plate=PLATE,
        knots=(at(first), at(first + columns / 2), at(first + columns)),
    )


def segments(*numbers: int, dots: tuple[int, ...] = ()) -> SegmentsPlanned:
    planned = tuple(segment(number) for number in numbers)
    return SegmentsPlanned(turn=numbers[0] // 4, plate=PLATE, segments=planned, dots=dots)


def opening(**changes: Any) -> OpeningFixed:
    fields: dict[str, Any] = {
        "venue": "boathouse",
        "name": "First evening",
        "anchor": {"kind": "civil", "local": "2026-03-29T18:00"},
        "opens_at": at(1260),
    }
    return OpeningFixed(**fields | changes)


def opening_series(**changes: Any) -> OpeningSeriesFixed:
    fields: dict[str, Any] = {
        "name": "Sunday evening",
        "venues": ("boathouse",),
        "together": "instant",
        "anchor": {"event": "sunset", "date": "2026-03-29"},
        "closing": {"duration": "PT2H"},
        "rule": "FREQ=WEEKLY;COUNT=4",
        "dates_off": ("2026-04-05",),
    }
    return OpeningSeriesFixed(**fields | changes)


def service_once(minutes: float = 1260, **changes: Any) -> ServiceWindowFixed:
    anchor = {"kind": "civil", "local": "2026-03-29T18:00"}
    fields: dict[str, Any] = {
        "venue": "boathouse",
        "name": "New roll",
        "comes": Once(anchor=anchor, minutes=45),
        "begins_at": at(minutes),
    }
    return ServiceWindowFixed(**fields | changes)


def service_weekly(begins: str = "10:00", ends: str = "11:30", **changes: Any) -> ServiceWindowFixed:
    comes = Weekly(weekday="tuesday", begins=begins, ends=ends)
    return service_once(**{"name": "Rounds", "comes": comes, "begins_at": None} | changes)


def printed(seq: int, first: int, end: int, **changes: Any) -> ColumnsPrinted:
    number = first // COLUMNS_PER_SEGMENT
    fields: dict[str, Any] = {
        "seq": seq,
        "at": at(end),
        "run": "spring",
        "segment": number,
        "columns": Columns(first=first, end=end),
        "columns_done": end - number * COLUMNS_PER_SEGMENT,
        "paper_position": first,
        "worst_miss_s": 0.25,
    }
    return ColumnsPrinted(**fields | changes)


def gap_settled(
    seq: int, first: int, unknown_end: int, end: int, *, policy: Policy | None = None, **changes: Any
) -> GapSettled:
    policy = policy or Policy(kind="skip")
    gap = Gap(
        first=first, unknown_end=unknown_end, end=end, cause="power", noticed_at=at(end), **changes.pop("facts", {})
    )
    fields: dict[str, Any] = {
        "seq": seq,
        "at": at(end),
        "run": "spring",
        "gap": gap,
        "policy": policy,
        "decision": decision(gap, policy),
        "paper_position": first,
    }
    return GapSettled(**fields | changes)


def decision(gap: Gap, policy: Policy) -> Decision:
    pace = Pace(nominal_columns_per_s=1 / 60, highest_columns_per_s=4 / 60, columns_per_burst=4)
    return settle(policy, gap, pace)


def differed(seq: int) -> SettlementDiffered:
    gap = Gap(first=0, unknown_end=0, end=10, cause="power", noticed_at=NOW)
    return SettlementDiffered(run="spring", seq=seq, ours=decision(gap, Policy(kind="replay")))


def overridden(id: str = "left-9", kind: RuleKind = "skip", **changes: Any) -> OutageOverridden:
    override = Override(id=id, rule=Rule(kind=kind), given_at=NOW)
    fields: dict[str, Any] = {"run": "spring", "override": override, "because": "hold", "reason": "the paper is torn"}
    return OutageOverridden(**fields | changes)


def acted(seq: int, action: Action, minutes: float = 0, **changes: Any) -> OperatorActed:
    return OperatorActed(seq=seq, at=at(minutes), action=action, **changes)


def true_again(seq: int, column: int) -> TrueAgain:
    return TrueAgain(seq=seq, at=at(column), run="spring", column=column)


def cut(
    seq: int, boundary: int, *, made: bool = True, run: str = "spring", why: Literal["quiet", "passed"] | None = None
) -> StripCut:
    return StripCut(seq=seq, at=at(boundary), run=run, boundary=boundary, paper_position=boundary, made=made, why=why)


def armed(seq: int, minutes: float = 0) -> KnifeArmed:
    return KnifeArmed(seq=seq, at=at(minutes))


def disarmed(seq: int, minutes: float = 0) -> KnifeDisarmed:
    return KnifeDisarmed(seq=seq, at=at(minutes), why="paused")


def stopped(seq: int, minutes: float = 0) -> NodeStopped:
    return NodeStopped(seq=seq, at=at(minutes))


def passed_over(override: str, minutes: float = 10) -> WordPassedOver:
    return WordPassedOver(run="spring", override=override, given_at=NOW, settled_at=at(minutes), over_at=at(minutes))


def started(seq: int, *, unplanned: bool, minutes: float = 0, goes_on: bool = False) -> NodeStarted:
    return NodeStarted(seq=seq, at=at(minutes), unplanned_stop=unplanned, goes_on=goes_on)


def slipped(seq: int, mm: float, column: int = 25) -> SlipMeasured:
    """On a machine of 600 mm a day."""
    said = {"slip_mm": mm, "slip_s": mm * 144.0, "slip_degrees": mm * 0.6}
    return SlipMeasured(seq=seq, at=at(column), run="spring", column=column, **said)


def corrected(seq: int, column: int = 80) -> FeedCorrected:
    return FeedCorrected(seq=seq, at=at(column), run="spring", column=column, corrected_mm=0.58, slip_mm=-0.02)


def conditions(seq: int, *keywords: str, minutes: float = 0, goes_on: bool = False) -> ConditionsChanged:
    return ConditionsChanged(seq=seq, at=at(minutes), keywords=keywords, goes_on=goes_on)


def set_aside(seq: int, kind: str = "lamp-lit") -> EntrySetAside:
    entry = {"kind": kind, "seq": seq, "at": "2026-03-28T23:30:00.000000Z", "lumens": 40}
    return EntrySetAside(seq=seq, entry=entry, field="kind", problem=f"{kind!r} is none of the kinds")


def told_twice(seq: int) -> EntryToldTwice:
    entry = {"kind": "columns-printed", "seq": seq, "at": "2026-03-28T23:30:00.000000Z", "run": "autumn"}
    return EntryToldTwice(seq=seq, entry=entry, field="columns", problem="told before, of the same place on the paper")


def by_earlier_plan(seq: int) -> PrintedByEarlierPlan:
    told = printed(seq, 0, 30)
    return PrintedByEarlierPlan(
        seq=seq,
        entry=unstructure(told),
        at=told.at,
        was=told.run,
        segment=told.segment,
        columns=told.columns,
        paper_position=told.paper_position,
        worst_miss_s=told.worst_miss_s,
    )


def read_in_part(seq: int) -> EntryReadInPart:
    entry = {"kind": "knife-armed", "seq": seq, "at": "2026-03-28T23:30:00.000000Z", "with": "the left hand"}
    return EntryReadInPart(seq=seq, entry=entry, field="with", problem="no such field")


def told_again(count: int = 6, *runs: str) -> EntriesToldAgain:
    told = {"first_at": NOW, "last_at": at(90), "zone": "America/St_Johns"}
    return EntriesToldAgain(count=count, runs=runs or ("spring",), **told)


def a_run_on_a_machine(*numbers: int, using: str = "default", **changes: Any) -> None:
    """A venue, a machine with a node, and a run with some segments planned; what of the run is other than usual."""
    append(
        [
            Append("venue/boathouse", 0, [venue()]),
            Append("profile/carriage", 0, [profile()]),
            Append("source/land", 0, [source()]),
            Append("machine/left", 0, [machine(), NodeEnrolled(epoch=1)]),
            Append("run/spring", 0, [run(**changes), *([segments(*numbers)] if numbers else [])]),
        ],
        by(),
        using=using,
    )


ONE_OF_EACH: tuple[tuple[str, Event], ...] = (
    ("venue/boathouse", venue()),
    ("profile/carriage", profile()),
    ("profile/carriage", ProfileChanged(**vars(profile()))),
    ("profile/carriage", ProfileRetired()),
    ("profile/carriage", ProfileTakenBack()),
    ("source/land", source()),
    ("source/land", SourceChanged(name="The land", picture={"kind": "land", "scale": 1.0})),
    ("source/land", SourceRetired()),
    ("source/land", SourceTakenBack()),
    ("opening/first", opening()),
    ("opening/first", OpeningCalledOff()),
    ("series/sundays", opening_series()),
    ("series/sundays", OpeningSeriesCalledOff()),
    ("venue/boathouse", VenueChanged(**vars(venue(name="The New Boathouse")))),
    ("machine/left", MachineChanged(name="Right", venue="boathouse", profile="carriage")),
    ("machine/left", MachineRetired()),
    ("machine/left", MachineTakenBack()),
    ("venue/boathouse", VenueRetired()),
    ("venue/boathouse", VenueTakenBack()),
    ("machine/left", machine()),
    ("machine/left", NodeEnrolled(epoch=1)),
    ("run/spring", run()),
    ("run/spring", run_changed(strips_per_turn=4)),
    ("run/spring", segments(0, 1)),
    ("machine/left", started(1, unplanned=True)),
    ("machine/left", armed(2)),
    ("machine/left", printed(3, 0, 30)),
    ("machine/left", gap_settled(4, 30, 34, 60)),
    ("machine/left", differed(4)),
    ("machine/left", true_again(5, 60)),
    ("machine/left", cut(6, 0)),
    ("machine/left", conditions(7, "media-low")),
    ("machine/left", acted(8, "roll-changed")),
    ("machine/left", slipped(9, -0.6)),
    ("machine/left", corrected(10)),
    ("machine/left", SetTimeCompared(seq=11, at=NOW, ahead_s=75.5, error_s=60.0)),
    ("machine/left", disarmed(12)),
    ("machine/left", stopped(13)),
    ("machine/left", SilenceBegan(last_heard_at=NOW)),
    ("machine/left", NeverHeard(due_since=NOW, is_enrolled=False)),
    ("machine/left", SilenceEnded(silent_s=90.5)),
    ("machine/left", OpeningDoubted(opening="preview", kinds=("no-run",), said="Preview: Left is on no run then.")),
    ("machine/left", OpeningNotDoubted(opening="preview")),
    ("archive/empty", StreamClosed(closed="run/autumn", version=0, digest="", file_digest=PLATE)),
    ("venue/boathouse", hours_set()),
    ("venue/boathouse", quiet_hours_set()),
    ("venue/boathouse", ContactsSet()),
    ("telling/house", RecipientsSet()),
    ("machine/left", overridden()),
    ("machine/left", passed_over("left-9")),
    ("machine/left", calibrated(feed_factor=0.995, dead_nozzles=(3, 7), head_to_knife_mm=89.5)),
    ("machine/left", set_aside(12)),
    ("machine/left", read_in_part(13)),
    ("machine/left", told_twice(14)),
    ("machine/left", EntryPassedOver(seq=4, view="runs", problem="OverflowError: too large")),
    ("machine/left", ReportsRefused(field="entries[0].seq", problem="0 is no number of an entry")),
    ("machine/left", ReportsTakenAgain()),
    ("machine/left", RunNotKnown(run="autumn", since=NOW, zone="America/St_Johns")),
    ("machine/left", told_again()),
    ("key/curator-0123456789", KeyMade(role="curator", venues=("boathouse",), ends_at=NOW)),
    ("key/curator-0123456789", KeyRevoked()),
    ("code/7", CodeMade(machine="left", expires_at=NOW)),
    ("code/7", CodeCancelled(machine="left", because="ordered")),
    ("machine/left", NodeRevoked(epoch=1)),
    ("user/3", AccountMade(role="reader")),
    ("user/3", RoleChanged(role="curator", venues=("boathouse",))),
    ("user/3", AccountClosed()),
    ("user/3", AccountReopened()),
    ("calendar/user-3", CalendarAddressChanged()),
    ("calendar/user-3", CalendarWishesSet()),
    ("service/rounds", service_weekly()),
    ("service/rounds", ServiceWindowCalledOff(reason="the technician is ill")),
    ("remark/cccccccccccccccc", RemarkBlottedOut(remark="c" * 64, at_event=12)),
    ("run/spring", RunEnded(end_column=45, ends_at=NOW)),
    ("run/spring", RunHeld(recesses=(Recess(starts_at=NOW, ends_at=at(120)), Recess(starts_at=at(180))))),
    ("run/spring", RunContinued(recesses=(Recess(starts_at=NOW, ends_at=at(60)),))),
    ("run/spring", RunWithdrawn()),
    ("machine/left", PrintedThoughWithdrawn(run="spring", columns=30)),
    ("machine/left", RunMovedAway(run="spring", first_column=0, formed=2)),
    ("machine/left", by_earlier_plan(15)),
)
