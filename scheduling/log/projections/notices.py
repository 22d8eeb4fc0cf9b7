"""The view of notices: what a person should know. An open notice means that something is still out of order."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from machines.model.position import Slip
from machines.operator.holds import HELD_AFTER
from machines.protocol.journal_entries import (
    Action,
    ConditionsChanged,
    FeedCorrected,
    GapSettled,
    KnifeArmed,
    OperatorActed,
    SetTimeCompared,
    SlipMeasured,
    StripCut,
    TrueAgain,
)
from scheduling.log.events.equipment import MachineRetired
from scheduling.log.events.reports import (
    EntryPassedOver,
    EntryReadInPart,
    EntrySetAside,
    PrintedByEarlierPlan,
    PrintedThoughWithdrawn,
    ReportsRefused,
    ReportsTakenAgain,
    SettlementDiffered,
    WordPassedOver,
)
from scheduling.log.events.server import (
    NeverHeard,
    NodeEnrolled,
    OpeningDoubted,
    OpeningNotDoubted,
    OutageOverridden,
    SilenceBegan,
    SilenceEnded,
)
from scheduling.log.models import Notice
from scheduling.log.recorded import Recorded
from scheduling.log.rows.row_cache import Rows

SILENCE = "silence"
GAP = "gap"
DIFFERED = "settlement-differed"
KNIFE_DISARMED = "knife-disarmed"
OPERATOR = "operator-acted"
SLIP = "feed-slip"
TIME_SET_WRONG = "set-time"
ENTRY_SET_ASIDE = "entry-set-aside"
ENTRY_READ_IN_PART = "entry-read-in-part"
ENTRY_PASSED_OVER = "entry-passed-over"
REPORTS_REFUSED = "reports-refused"
RUN_NOT_KNOWN = "run-not-known"
ENTRIES_TOLD_AGAIN = "entries-told-again"
WORD_PASSED_OVER = "word-passed-over"
PRINTED_THOUGH_WITHDRAWN = "printed-though-withdrawn"
PRINTED_BY_EARLIER_PLAN = "printed-by-earlier-plan"
OPENING = "opening-doubted"
ABOUT_REPORTS = (
    ENTRY_SET_ASIDE,
    ENTRY_READ_IN_PART,
    ENTRY_PASSED_OVER,
    REPORTS_REFUSED,
    RUN_NOT_KNOWN,
    ENTRIES_TOLD_AGAIN,
)
OURS = (
    SILENCE,
    GAP,
    DIFFERED,
    KNIFE_DISARMED,
    OPERATOR,
    SLIP,
    TIME_SET_WRONG,
    WORD_PASSED_OVER,
    PRINTED_THOUGH_WITHDRAWN,
    PRINTED_BY_EARLIER_PLAN,
    OPENING,
    *ABOUT_REPORTS,
)  # the other kinds are the machine's own keywords

PAUSED_KEYWORD = "paused"
STOPPED_UNPLANNED = "it stopped by itself, as after a power cut; somebody must look at it, and resume it there"
_TO_THE_SECOND = "%Y-%m-%d %H:%M:%S UTC"

DID: Mapping[Action, str] = {
    "stop": "a person stopped it; it stays so until the stop is released there, and then until it is resumed",
    "release": "a person released the stop; it waits to be resumed there",
    "pause": "a person paused it; it waits to be resumed there",
    "park": "a person parked it for service; it waits to be resumed there",
    "resume": "a person let it go on",
    "roll-changed": "a person changed the roll",
    "cartridge-changed": "a person changed the cartridge",
    "blade-changed": "a person changed the blade",
    "roll-not-changed": "a person took back that the roll was changed, which had been said by mistake",
    "cartridge-not-changed": "a person took back that the cartridge was changed, which had been said by mistake",
    "blade-not-changed": "a person took back that the blade was changed, which had been said by mistake",
    "feed": "a person fed blank paper",
    "cut": "a person cut the paper",
    "test-pattern": "a person printed a test pattern",
    "set-time": "a person set the time there, as the server was not in reach",
    "place-set": "a person looked at the paper and told the machine where it stands, which it had forgotten",
}
OLDER = "look whether this server is older than the board"


def silence_began(rows: Rows, fact: Recorded, event: SilenceBegan) -> None:
    """No word from a node."""
    said = f"no word since {event.last_heard_at:%Y-%m-%d %H:%M} UTC; whether it prints on, only its journal knows"
    raise_notice(rows, fact, SILENCE, said)


def never_heard(rows: Rows, fact: Recorded, event: NeverHeard) -> None:
    """No word from a machine ever, though it should print."""
    why = "its board is enrolled, but its agent was never begun" if event.is_enrolled else "no board is enrolled for it"
    said = f"a run is due on it since {event.due_since:%Y-%m-%d %H:%M} UTC, and it was never heard: {why}"
    raise_notice(rows, fact, SILENCE, said)


def silence_ended(rows: Rows, fact: Recorded, event: SilenceEnded) -> None:
    """Heard again."""
    _clear(rows, fact, SILENCE)


def node_enrolled(rows: Rows, fact: Recorded, event: NodeEnrolled) -> None:
    """What the machine said, and who held it, was told by the board before; it is told again where it is still so."""
    for notice in _open(rows, fact):
        if notice.kind == OPERATOR or notice.kind not in OURS:
            notice.cleared_at = fact.happened_at


def machine_retired(rows: Rows, fact: Recorded, event: MachineRetired) -> None:
    """Nobody is to look after it any more."""
    for notice in rows.change_where(Notice, machine_id=fact.subject, cleared_at=None):
        notice.cleared_at = fact.happened_at


def gap_settled(rows: Rows, fact: Recorded, event: GapSettled) -> None:
    """Columns are missing on the paper; over at once, with all before it, unless some are being printed late after
    something that nobody meant."""
    gap, decision = event.gap, event.decision
    _clear(rows, fact, WORD_PASSED_OVER)
    said = f"{gap.end - gap.unknown_end} columns missed and {len(decision.unknown)} unknown ({gap.cause}): "
    raise_notice(rows, fact, GAP, said + decision.reason)
    if decision.late == 0 or gap.cause == "held":
        _clear(rows, fact, GAP)


def outage_overridden(rows: Rows, fact: Recorded, event: OutageOverridden) -> None:
    """Somebody decided anew."""
    _clear(rows, fact, WORD_PASSED_OVER)


def word_passed_over(rows: Rows, fact: Recorded, event: WordPassedOver) -> None:
    """What a person decided did not happen; to be looked at until somebody decides anew, or the next outage."""
    given, settled_at = f"{event.given_at:{_TO_THE_SECOND}}", event.settled_at
    if settled_at is None:
        why = "nothing was missing, as the machine had printed on"
    elif settled_at < event.given_at:
        why = (
            f"the outage had been settled at {settled_at:{_TO_THE_SECOND}}, and nothing was left of it to decide when"
            " the board could have followed"
        )
    else:
        why = f"the outage was settled at {settled_at:{_TO_THE_SECOND}}, and the board had not fetched it by then"
    raise_notice(rows, fact, WORD_PASSED_OVER, f"the decision of {given} on run {event.run} was passed over: {why}")


def true_again(rows: Rows, fact: Recorded, event: TrueAgain) -> None:
    """What was missed has been replayed."""
    _clear(rows, fact, GAP)


def settlement_differed(rows: Rows, fact: Recorded, event: SettlementDiffered) -> None:
    """A person must look."""
    said = f"entry {event.seq} of run {event.run} was settled otherwise than the server would: {event.ours.reason}"
    raise_notice(rows, fact, DIFFERED, said)


def strip_cut(rows: Rows, fact: Recorded, event: StripCut) -> None:
    """A strip that was not cut hangs on to the next. Where the knife was armed and it says why, nobody need arm it."""
    if event.made:
        _clear(rows, fact, KNIFE_DISARMED)
    elif event.why is None and not _open(rows, fact, KNIFE_DISARMED):
        said = "a strip was not cut, because the knife is disarmed; look at the machine, then arm the knife there"
        raise_notice(rows, fact, KNIFE_DISARMED, said)


def knife_armed(rows: Rows, fact: Recorded, event: KnifeArmed) -> None:
    """The next strip will be cut."""
    _clear(rows, fact, KNIFE_DISARMED)


def conditions_changed(rows: Rows, fact: Recorded, event: ConditionsChanged) -> None:
    """One notice for each condition, for as long as the machine has it."""
    still = {notice.kind for notice in _open(rows, fact) if notice.kind in event.keywords}
    for notice in _open(rows, fact):
        if notice.kind not in event.keywords and notice.kind not in OURS:
            notice.cleared_at = fact.happened_at
    for keyword in event.keywords:
        if keyword not in still:
            by_itself = keyword == PAUSED_KEYWORD and not _open(rows, fact, OPERATOR)
            raise_notice(rows, fact, keyword, STOPPED_UNPLANNED if by_itself else f"the machine says {keyword}")


def operator_acted(rows: Rows, fact: Recorded, event: OperatorActed) -> None:
    """A person at the machine did something: to be looked at for as long as it holds the machine back."""
    if event.action in HELD_AFTER:
        _clear(rows, fact, OPERATOR)
    unseen = "" if event.seen_done else "; nobody saw all of it done"
    cleared_at = None if HELD_AFTER.get(event.action) else fact.happened_at
    raise_notice(rows, fact, OPERATOR, DID[event.action] + unseen, cleared_at=cleared_at)


def set_time_compared(rows: Rows, fact: Recorded, event: SetTimeCompared) -> None:
    """A time that a person set, or a clock of the board's own told, and that was further off than was said: what was
    printed by it is that far off, too."""
    if abs(event.ahead_s) > event.error_s:
        how = "ahead" if event.ahead_s > 0 else "behind"
        said = (
            f"the time set at the machine, by a person or by its own clock, was {abs(event.ahead_s):.1f} s {how}, more"
            f" than the {event.error_s:g} s that were stated; what was printed by it is out by as much"
        )
        raise_notice(rows, fact, TIME_SET_WRONG, said, cleared_at=fact.happened_at)


def slip_measured(rows: Rows, fact: Recorded, event: SlipMeasured) -> None:
    """The paper is not where it was ordered: one notice, with the newest measurement, until it is."""
    slip = Slip(mm=event.slip_mm, seconds=event.slip_s, degrees=event.slip_degrees)
    said = (
        f"the paper is {slip.in_words()}; it is put right a little at a time where the picture is blank. If it is not,"
        " look at the roll and the rollers, and measure the feed with the printed ruler"
    )
    _keep_one(rows, fact, SLIP, said)


def feed_corrected(rows: Rows, fact: Recorded, event: FeedCorrected) -> None:
    """The paper is where it belongs."""
    _clear(rows, fact, SLIP)


def entry_set_aside(rows: Rows, fact: Recorded, event: EntrySetAside) -> None:
    """What a node told may be true of the paper, and nothing here shows it."""
    came_of_it = f"is kept, and not counted ({event.field}: {event.problem})"
    _about_entry(rows, fact, event.seq, ENTRY_SET_ASIDE, came_of_it, f"{OLDER}, or was put back from an older copy")


def entry_read_in_part(rows: Rows, fact: Recorded, event: EntryReadInPart) -> None:
    """What a node told was taken, but not to the last word."""
    came_of_it = f"was taken but for one thing ({event.field}: {event.problem})"
    _about_entry(rows, fact, event.seq, ENTRY_READ_IN_PART, came_of_it, f"{OLDER}, and at the board's clock")


def entry_passed_over(rows: Rows, fact: Recorded, event: EntryPassedOver) -> None:
    """A mistake of this program, or what cannot be."""
    came_of_it = f"does not show in {event.view}, which cannot take it ({event.problem})"
    _about_entry(rows, fact, event.seq, ENTRY_PASSED_OVER, came_of_it, "whoever keeps the server has to look")


def _about_entry(rows: Rows, fact: Recorded, seq: int, kind: str, came_of_it: str, to_do: str) -> None:
    _keep_one(rows, fact, kind, f"what its board told under number {seq} {came_of_it}; {to_do}")


def printed_though_withdrawn(rows: Rows, fact: Recorded, event: PrintedThoughWithdrawn) -> None:
    """Nothing is out of order any more: it lies on the paper, and counts as what it is."""
    said = (
        f"its board had not heard that run {event.run} was withdrawn, and printed of it: {event.columns} columns were"
        " told first. They lie on the paper, and the run shows them"
    )
    raise_notice(rows, fact, PRINTED_THOUGH_WITHDRAWN, said, cleared_at=fact.happened_at)


def printed_by_earlier_plan(rows: Rows, fact: Recorded, event: PrintedByEarlierPlan) -> None:
    """Told once of a run; what follows lies beside it."""
    if rows.change_where(Notice, machine_id=fact.subject, kind=PRINTED_BY_EARLIER_PLAN, run=event.was):
        return
    said = (
        f"its board had not heard that run {event.was} was changed, and printed of it by the plan before:"
        f" {len(event.columns)} columns were told first. They lie on the paper, and are none of the run as it is now"
    )
    raise_notice(rows, fact, PRINTED_BY_EARLIER_PLAN, said, run=event.was, cleared_at=fact.happened_at)


def opening_doubted(rows: Rows, fact: Recorded, event: OpeningDoubted) -> None:
    """One notice of each opening, with the newest words, for as long as something speaks against it."""
    standing = _of_opening(rows, fact, event.opening)
    for notice in standing:
        notice.said = event.said
    if not standing:
        raise_notice(rows, fact, OPENING, event.said, opening=event.opening)


def opening_not_doubted(rows: Rows, fact: Recorded, event: OpeningNotDoubted) -> None:
    """Nothing does any more."""
    for notice in _of_opening(rows, fact, event.opening):
        notice.cleared_at = fact.happened_at


def _of_opening(rows: Rows, fact: Recorded, opening: str) -> list[Notice]:
    return rows.change_where(Notice, machine_id=fact.subject, cleared_at=None, kind=OPENING, opening=opening)


def reports_refused(rows: Rows, fact: Recorded, event: ReportsRefused) -> None:
    """The journal of a board cannot be taken."""
    said = (
        f"what its board reports cannot be and is refused ({event.field}: {event.problem}), and with it all that the"
        " board tells after it; look at the machine, then enrol its board again"
    )
    _keep_one(rows, fact, REPORTS_REFUSED, said)


def reports_taken_again(rows: Rows, fact: Recorded, event: ReportsTakenAgain) -> None:
    """The board reports what can be."""
    _clear(rows, fact, REPORTS_REFUSED)


def _keep_one(rows: Rows, fact: Recorded, kind: str, said: str) -> None:
    """One open notice of a kind, with the newest words."""
    standing = _open(rows, fact, kind)
    for notice in standing:
        notice.said = said
    if not standing:
        raise_notice(rows, fact, kind, said)


def raise_notice(rows: Rows, fact: Recorded, kind: str, said: str, **more: Any) -> None:
    """A new notice on the machine that a fact is about, named by the fact."""
    rows.put(
        Notice,
        id=f"{fact.subject}-{fact.version}-{kind}",
        machine_id=fact.subject,
        kind=kind,
        said=said,
        raised_at=fact.happened_at,
        **more,
    )


def _open(rows: Rows, fact: Recorded, kind: str | None = None) -> list[Notice]:
    lookups = {} if kind is None else {"kind": kind}
    return rows.change_where(Notice, machine_id=fact.subject, cleared_at=None, **lookups)


def _clear(rows: Rows, fact: Recorded, kind: str) -> None:
    for notice in _open(rows, fact, kind):
        notice.cleared_at = fact.happened_at
