"""What the page says, from the journal, as lines of words; times by the venue's clock, where a server told which."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from machines.clock import utc
from machines.model.position import SlipState
from machines.model.profile import Profile
from machines.node.clock import manual_time
from machines.node.clock.server_time import Estimate
from machines.node.device import slip_correction
from machines.node.device.usage import RemainingSupplies, remaining_supplies
from machines.node.manual import job, position_recovery, prints
from machines.node.manual.job import HandAction, Handwork
from machines.node.store import part_changes, recovery_state, slip_state, strips
from machines.node.store.journal import Journal, State, read_state
from machines.node.store.recovery_state import Recovering
from machines.node.store.strips import Strip
from machines.node.sync.reachability import NOT_HEARD, ServerReach
from machines.node.work import held_work as holding
from machines.node.work.held_work import HeldWork, quiet_s
from machines.operator import holds, recess_words
from machines.operator.conditions import gloss
from machines.operator.durations import duration
from machines.operator.language import _, decimal, marked, ngettext
from machines.operator.local_time import clock_named, moment
from machines.protocol.journal_entries import Action, TestPattern
from machines.protocol.messages import Whereabouts
from machines.serialization import parse_instant

HAND_ACTIONS: tuple[HandAction, ...] = ("feed", "cut", "test-pattern", "place-set")
DOING: Mapping[HandAction, str] = {
    "feed": marked("feeding paper by hand"),
    "cut": marked("cutting by hand"),
    "test-pattern": marked("printing a test pattern"),
    "place-set": marked("telling the machine where its paper stands"),
}


NO_TIME = marked(
    "not known since the board started; nothing is printed until the server has told it, or a person set it"
)


@dataclass(frozen=True, kw_only=True)
class PanelFacts:
    """What is known now.

    Attributes:
        stands: what people call machine and venue, and their clock; None where no server said so yet.
        lines: what is said about what, in order.
        conditions: keywords, each with what it asks for.
        percent_of_turn: how much of the turn lies on the paper, 0 to 100; None without a run.
        hold: what holds the machine, a key of `holds.SAYS`.
        has_knife, knife_armed: of the machine.
        is_cut: whether the run that it is on is cut into strips.
        hand_problems: of what is done by hand, why not now; empty if it can be done.
        mistakes: what was said of parts and can be taken back, by the actions that do, of what was said last first.
        paper_place: where the paper stands by the journal, in words; empty before the profile is known.
        patterns: that can be printed now, each with what it is.
        fenced: why this board may not print any more; empty if it may.
        is_timely: whether the time is known well enough for what it prints.
        time_problem: why nobody needs to set the time; empty if somebody may.
        server: whether it is in reach, in words.
    """

    stands: Whereabouts | None
    lines: tuple[tuple[str, str], ...]
    conditions: tuple[tuple[str, str], ...]
    percent_of_turn: float | None
    hold: str
    has_knife: bool
    knife_armed: bool
    is_cut: bool
    hand_problems: Mapping[HandAction, str]
    mistakes: tuple[Action, ...]
    paper_place: str
    patterns: Mapping[TestPattern, str]
    fenced: str
    is_timely: bool
    time_problem: str
    server: str


def gather(journal: Journal, estimate: Estimate | None, server: ServerReach = NOT_HEARD) -> PanelFacts:
    """Read how the machine is; ``estimate`` is the server's time at this moment, ``server`` how that is reached."""
    with journal.reading() as db:
        state, work, pending = read_state(db), holding.held(db), strips.pending(db)
        outage, track = recovery_state.read(db), slip_state.read_track(db)
        until, by_hand, machine = holding.held_until(db), job.current(db), holding.machine(db)
        last_word = holding.work_held(db)
        profile = None if machine is None else machine[0]
        mistakes = part_changes.mistakes(db, None if profile is None else profile.columns_per_turn)
        paper_place = (
            ""
            if profile is None
            else position_recovery.in_words(position_recovery.place_under_head(db, profile), profile)
        )
    remains = (
        None if profile is None else remaining_supplies(state, profile, None if estimate is None else estimate.now)
    )
    stands = None if last_word is None else last_word.stands
    clock = clock_named(None if stands is None else stands.zone)
    of_run = work if work is not None and state.run == work.run.id else None
    lines = [
        (_("Time"), _time(estimate, of_run, clock)),
        (_("Now"), _now(state, of_run, by_hand, outage, None if estimate is None else estimate.now, clock)),
        (_("In the turn"), _place(state, of_run)),
        (_("Next cut"), _next_cut(state, of_run, pending, None if estimate is None else estimate.now)),
        (_("Paper left"), _paper(remains, profile, of_run)),
        *_slip(track, profile, work),
        (_("Blade"), _blade(state, remains)),
        (_("Ink left"), _ink(remains)),
        (_("Work held until"), _("nothing is held") if until is None else moment(parse_instant(until), clock)),
        (_("Server"), server.in_words()),
        *([(_("In detail"), server.said)] if server.said else []),
    ]
    return PanelFacts(
        stands=stands,
        lines=(*lines, (_("Fenced off"), state.fenced)) if state.fenced else tuple(lines),
        conditions=tuple((keyword, _(gloss(keyword))) for keyword in state.conditions),
        percent_of_turn=None if of_run is None else 100.0 * _phase(state, of_run),
        hold=state.hold,
        has_knife=profile is not None and profile.knife is not None,
        knife_armed=state.knife_armed,
        is_cut=of_run is not None and of_run.run.strips_per_turn > 0,
        hand_problems={action: _problem(action, state, profile) for action in HAND_ACTIONS},
        mistakes=mistakes,
        paper_place=paper_place,
        patterns={
            name: _(label)
            for name, label in prints.PATTERN_LABELS.items()
            if job.why_not("test-pattern", state, profile, name) is None
        },
        fenced=state.fenced,
        is_timely=estimate is not None and (of_run is None or estimate.error_s <= of_run.clock_tolerance_s),
        time_problem=manual_time.why_not(estimate),
        server=server.in_words(),
    )


def _problem(action: HandAction, state: State, profile: Profile | None) -> str:
    problem = job.why_not(action, state, profile)
    return "" if problem is None else f"{problem[0]}: {problem[1]}"


def _time(estimate: Estimate | None, work: HeldWork | None, clock: ZoneInfo | None) -> str:
    if estimate is None:
        return _(NO_TIME)
    now = moment(utc(estimate.now), clock, seconds=True)
    said = _("{time}, to within {error} s").format(time=now, error=decimal(f"{estimate.error_s:.2g}"))
    said += _(", as a person set it") if estimate.by_hand else ""
    said += _(", by the board's own clock") if estimate.by_board else ""
    said += _(", in doubt: a clock stepped") if estimate.doubted else ""
    if work is not None and estimate.error_s > work.clock_tolerance_s:
        wanted = decimal(f"{work.clock_tolerance_s:.2g}")
        said += _("; nothing is printed until it is known to within {error} s").format(error=wanted)
    return said


def _now(
    state: State,
    work: HeldWork | None,
    by_hand: Handwork | None,
    outage: Recovering,
    now: float | None,
    clock: ZoneInfo | None,
) -> str:
    if by_hand is not None:
        return _("{what}; it began when a person asked for it").format(what=_(DOING[by_hand.action]))
    if state.hold:
        return _(holds.AT_MACHINE[state.hold])
    if work is None:
        return _("no run")
    if state.next_column >= work.run.end_column:
        return _("run {run} is at its end").format(run=work.run.id)
    if now is not None and (recess := work.recess_at(now)) is not None:
        return recess_words.at_machine(recess, is_held=recess in work.run.recesses, clock=clock)
    said = recovery_state.in_words(outage, catching_up=state.catching_up, next_column=state.next_column)
    return _("printing run {run}").format(run=work.run.id) + said


def _phase(state: State, work: HeldWork) -> float:
    return state.next_column % work.profile.columns_per_turn / work.profile.columns_per_turn


def _place(state: State, work: HeldWork | None) -> str:
    if work is None:
        return _("no run")
    per_turn = work.profile.columns_per_turn
    first, last = work.run.first_column // per_turn, (work.run.end_column - 1) // per_turn
    turn, column = divmod(state.next_column, per_turn)
    said = _("turn {turn} of {turns}, column {column} of {columns}, {share}")
    share = decimal(f"{_phase(state, work):.1%}")
    return said.format(turn=turn - first + 1, turns=last - first + 1, column=column, columns=per_turn, share=share)


def _next_cut(state: State, work: HeldWork | None, pending: list[Strip], now: float | None) -> str:
    if work is None or work.profile.knife is None:
        return _("none") if work is None else _("no knife")
    places = [strip.place for strip in pending]
    ahead = work.boundaries(state.next_column, state.next_column + work.profile.columns_per_turn)
    places += [state.paper_position + boundary - state.next_column for boundary in ahead]
    if not places:
        return _("none")
    columns = max(0, min(places) + work.profile.knife_columns - state.paper_position)
    how = "" if state.knife_armed else _("; the knife is disarmed, so it will be left uncut")
    if state.knife_armed and now is not None and quiet_s(work.quiet, now + columns * work.column_s):
        how = _("; that is in quiet hours, so it will be left uncut")
    said = ngettext("in about {span}, after {number} column", "in about {span}, after {number} columns", columns)
    return said.format(span=duration(columns * work.column_s), number=columns) + how


def _paper(remains: RemainingSupplies | None, profile: Profile | None, work: HeldWork | None) -> str:
    if remains is None or profile is None:
        return _("not known before the first work")
    left_m = remains.paper_m
    if left_m <= 0:
        return _("by count none: look at the roll, and say when it was changed")
    left = decimal(f"{left_m:.2f}")
    if work is None:
        return _("{length} m by count").format(length=left)
    lasts = duration(left_m * 1000 / profile.column_pitch_mm * work.column_s)
    return _("{length} m by count, about {span}").format(length=left, span=lasts)


def _slip(track: SlipState, profile: Profile | None, work: HeldWork | None) -> list[tuple[str, str]]:
    said = (
        ""
        if profile is None
        else slip_correction.in_words(track, profile, None if work is None else work.run.mean_turn_s)
    )
    return [(_("Slip of the paper"), said)] if said else []


def _blade(state: State, remains: RemainingSupplies | None) -> str:
    if remains is None:
        return _("not known before the first work")
    if remains.cuts is None:
        return _("no knife")
    if remains.cuts <= 0:
        if state.knife_armed:
            return _("armed; by count it is dull: change it, and say so")
        return _("disarmed; by count it is dull: change it, and say so")
    said = (
        ngettext("armed; {number} cut left by count", "armed; {number} cuts left by count", remains.cuts)
        if state.knife_armed
        else ngettext("disarmed; {number} cut left by count", "disarmed; {number} cuts left by count", remains.cuts)
    )
    return said.format(number=remains.cuts)


def _ink(remains: RemainingSupplies | None) -> str:
    if remains is None:
        return _("not known before the first work")
    if remains.ink_used_ml is None:
        return _("none is used")
    if remains.ink_ml is None:
        said = _(
            "{amount} ml used by count since the cartridge was changed; how much one holds, the machine's profile does"
            " not say"
        )
        return said.format(amount=decimal(f"{remains.ink_used_ml:.2f}"))
    if remains.ink_ml <= 0:
        return _("by count none: look at the print, and say when the cartridge was changed")
    return _("{amount} ml by count").format(amount=decimal(f"{remains.ink_ml:.2f}"))
