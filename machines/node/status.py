"""How a node is, for a person who stands beside it, read from its journal whether or not its agent runs."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from machines.clock import Clock, utc
from machines.model.profile import Profile
from machines.node.agent import agent_runs, boot_name
from machines.node.clock import kept_time, own_clocks
from machines.node.clock.server_time import Estimate
from machines.node.device import slip_correction as slip
from machines.node.device.usage import remaining_supplies
from machines.node.store import identity, outbox, recovery_state, slip_state
from machines.node.store.journal import Journal, State, read_state
from machines.node.sync import reachability as reach
from machines.node.sync.reachability import ServerReach
from machines.node.work import held_work as holding
from machines.node.work.held_work import HeldWork
from machines.operator import holds, recess_words
from machines.protocol.messages import Work
from machines.serialization import format_instant


@dataclass(frozen=True, kw_only=True)
class NodeStatus:
    """What is known at this moment. Instants are RFC 3339 in UTC.

    Attributes:
        machine, server: from enrolment; None before it.
        agent_runs: whether an agent prints from this folder.
        reach: whether the server is in reach, since when and why not.
        server_time: estimated; None if it is not known in this boot.
        time_set_by_hand: a person set it, and the server was not heard since.
        clock_error_s: bound on its error, seconds; None if the time is not known.
        time_by_board: a clock of the board's own tells it, and the server was not heard in this boot.
        own_clocks: of the board, that can be compared with the server's time, and how they stood to it, in words.
        time_in_doubt: the server contradicted itself, and the bound reaches over all that it told since.
        run: being printed.
        next_column: the running column to come.
        turn, column_of_turn: the same as turn and column in it.
        catching_up: columns are laid late.
        recovery: what is being made good after an outage, in words; empty if nothing is.
        paper_m: fed since the machine's first column, metres; None before the profile is known.
        paper_left_m: on the roll by count, metres; None before the profile is known.
        ink_used_ml, ink_left_ml: of the cartridge by count, millilitres; None where there is none, or it is not known.
        slip: of the paper, in words; empty where no encoder measures it, or before the profile is known.
        cuts_left: of the blade by count; None where there is no knife, or it is not known.
        knife: ``armed``, ``disarmed``, ``none``, or ``unknown`` before the profile is known.
        held_until: end of the work held.
        unreported: entries that the server has not accepted.
        conditions: of the machine, keywords of RFC 8011.
        fenced: why this node must not print; empty if it may.
        hold: what holds the machine until a person lets it go on, a key of `machines.operator.holds.AT_MACHINE`;
            empty for none.
        recess: in words, if nothing of the run is laid now as people at the server hold it; empty for none.
    """

    machine: str | None
    server: str | None
    agent_runs: bool
    reach: ServerReach
    server_time: str | None
    clock_error_s: float | None
    time_set_by_hand: bool
    time_in_doubt: bool
    time_by_board: bool
    own_clocks: tuple[str, ...]
    run: str | None
    next_column: int | None
    turn: int | None
    column_of_turn: int | None
    catching_up: bool
    recovery: str
    paper_m: float | None
    paper_left_m: float | None
    ink_used_ml: float | None
    ink_left_ml: float | None
    slip: str
    cuts_left: int | None
    knife: str
    held_until: str | None
    unreported: int
    conditions: tuple[str, ...]
    fenced: str
    hold: str
    recess: str

    def as_json(self) -> dict[str, Any]:
        """As JSON values."""
        return asdict(self)

    def as_text(self) -> str:
        """For people."""
        return "\n".join(f"{name:<12}{value}" for name, value in self._lines())

    def _lines(self) -> list[tuple[str, str]]:
        lines = [
            ("machine", f"{self.machine} of {self.server}" if self.machine else "not enrolled"),
            ("agent", "running" if self.agent_runs else "not running"),
            ("server", self.reach.in_words()),
            *([("said", self.reach.said)] if self.reach.said else []),
            ("time", self._time()),
            *([("own clock", "; ".join(self.own_clocks))] if self.own_clocks else []),
            ("printing", self._printing()),
            ("paper", self._paper()),
            *([("slip", self.slip)] if self.slip else []),
            *([] if self.ink_used_ml is None else [("ink", self._ink(self.ink_used_ml))]),
            ("knife", self.knife + ("" if self.cuts_left is None else f"; {self.cuts_left} cuts left by count")),
            ("held until", self.held_until or "nothing is held"),
            ("unreported", f"{self.unreported} entries"),
            ("conditions", ", ".join(self.conditions) or "none"),
        ]
        lines += [("HELD", holds.AT_MACHINE[self.hold])] if self.hold else []
        lines += [("recess", self.recess)] if self.recess else []
        lines += [("FENCED OFF", self.fenced)] if self.fenced else []
        return lines

    def _time(self) -> str:
        if self.server_time is None:
            return "not known since this board started: it prints once the server has told it, or a person set it"
        said = f"{self.server_time}, to within {self.clock_error_s:.3g} s"
        if self.time_in_doubt:
            return f"{said}, in doubt: a clock stepped, and it is surer once the server has told one time for a while"
        if self.time_by_board:
            return f"{said}, by the board's own clock: the server was not heard since it started"
        return f"{said}, as a person set it" if self.time_set_by_hand else said

    def _paper(self) -> str:
        if self.paper_m is None or self.paper_left_m is None:
            return "not known before the first work"
        return f"{self.paper_m:.3f} m fed; {self.paper_left_m:.2f} m left on the roll by count"

    def _ink(self, used_ml: float) -> str:
        left = "" if self.ink_left_ml is None else f"; {self.ink_left_ml:.2f} ml left by count"
        return f"{used_ml:.2f} ml used since the cartridge was changed{left}"

    def _printing(self) -> str:
        if self.run is None or self.next_column is None:
            return "no run"
        where = f"column {self.next_column}"
        if self.turn is not None:
            where = f"turn {self.turn}, column {self.column_of_turn}"
        return f"run {self.run}, {where} comes next{self.recovery}"


def gather(home: Path, journal: Journal, clock: Clock) -> NodeStatus:
    """Read how the node is."""
    with journal.reading() as db:
        state, credentials, work = read_state(db), identity.credentials(db), holding.held(db)
        last_word = holding.work_held(db)
        machine, until, unreported = holding.machine(db), holding.held_until(db), outbox.count_unaccepted(db)
        track, own = slip_state.read_track(db), own_clocks.compared(db)
        kept, outage = kept_time.kept_time(db, boot_name(clock)), recovery_state.read(db)
        estimate = None if kept is None else kept.estimate(clock.elapsed())
        found = reach.at_board(db, clock, boot_name(clock), estimate)
    runs = agent_runs(home)
    profile = None if machine is None else machine[0]
    remains = (
        None if profile is None else remaining_supplies(state, profile, None if estimate is None else estimate.now)
    )
    turn, column = _turn(state, work)
    return NodeStatus(
        machine=None if credentials is None else credentials.machine,
        server=None if credentials is None else credentials.server,
        agent_runs=runs,
        reach=found if runs else replace(found, again=""),
        server_time=None if estimate is None else format_instant(utc(estimate.now)),
        clock_error_s=None if estimate is None else estimate.error_s,
        time_set_by_hand=estimate is not None and estimate.by_hand,
        time_in_doubt=estimate is not None and estimate.doubted,
        time_by_board=estimate is not None and estimate.by_board,
        own_clocks=tuple(one.in_words() for one in own),
        run=state.run,
        next_column=None if state.run is None else state.next_column,
        turn=turn,
        column_of_turn=column,
        catching_up=state.catching_up,
        recovery=recovery_state.in_words(outage, catching_up=state.catching_up, next_column=state.next_column),
        paper_m=None if profile is None else state.paper_position * profile.column_pitch_mm / 1000.0,
        paper_left_m=None if remains is None else remains.paper_m,
        ink_used_ml=None if remains is None else remains.ink_used_ml,
        ink_left_ml=None if remains is None else remains.ink_ml,
        slip="" if profile is None else slip.in_words(track, profile, None if work is None else work.run.mean_turn_s),
        cuts_left=None if remains is None else remains.cuts,
        knife="unknown" if profile is None else _knife(state, profile, last_word, estimate),
        held_until=until,
        unreported=unreported,
        conditions=state.conditions,
        fenced=state.fenced,
        hold=state.hold,
        recess=_recess(state, work, estimate),
    )


def _turn(state: State, work: HeldWork | None) -> tuple[int | None, int | None]:
    if work is None or state.run != work.run.id:
        return None, None
    return divmod(state.next_column, work.profile.columns_per_turn)


def _recess(state: State, work: HeldWork | None, estimate: Estimate | None) -> str:
    if work is None or state.run != work.run.id or estimate is None:
        return ""
    recess = work.recess_at(estimate.now)
    return "" if recess is None else recess_words.at_machine(recess, is_held=recess in work.run.recesses)


def _knife(state: State, profile: Profile, last_word: Work | None, estimate: Estimate | None) -> str:
    if profile.knife is None:
        return "none"
    if not state.knife_armed:
        return "disarmed: strips pass it uncut until a person runs dayroll-node arm"
    held_s = 0.0 if last_word is None or estimate is None else holding.quiet_s(last_word.quiet, estimate.now)
    if estimate is None or not held_s:
        return "armed"
    return f"armed, and held until {format_instant(utc(estimate.now + held_s))}: quiet hours"
