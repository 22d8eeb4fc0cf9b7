"""Mistakes made on purpose: small ones, as somebody could make them, each in place of the right code for a while.

What a simulated world does not find of them it does not play, or the judge does not see: a gap to close.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Literal
from unittest.mock import patch

from machines.node.device.controller import MachineAtHand
from machines.node.printing import settling
from machines.node.store import told_anew
from machines.node.waiting.inquiry import WorkInquiry
from machines.node.work import order_log, plate_cache, takeover
from machines.node.work.held_work import HeldWork
from tests.faults.scenario import Scenario, draw
from tests.simulated import wrong_nodes as node
from tests.simulated import wrong_servers as server
from tests.simulated.judged_ends import HEARD_WITHIN_H, can_be_let_go
from tests.simulated.judged_time import steps_while_known
from tests.simulated.judged_words import can_be_heard
from tests.simulated.more import draw_more

Where = Literal["seeds", "node", "server"]


@dataclass(frozen=True, kw_only=True)
class Wrong:
    """A mistake.

    Attributes:
        says: what is wrong.
        put: puts it in place; called where the server's modules may be imported.
        has: kinds of faults, of which a scenario must have one to show it; none for any.
        shows: whether a scenario that has one can show it.
        draw: the scenario of a seed.
        where: in scenarios, or in the branches of a prefix where the power of a node or a server goes.
        policy: of that prefix.
        within: after how many of them it is found at the latest.
    """

    says: str
    put: Callable[[], AbstractContextManager[object]]
    has: frozenset[str] = frozenset()
    shows: Callable[[Scenario], bool] = lambda scenario: True
    draw: Callable[[int], Scenario] = draw
    where: Where = "seeds"
    policy: str = "replay"
    within: int = 10

    def scenarios(self) -> Iterator[Scenario]:
        """Those that can show it, one seed after another."""
        drawn = map(self.draw, itertools.count(1))
        return (one for one in drawn if (not self.has or self.has & one.has) and self.shows(one))


def _word_can_be_heard(scenario: Scenario) -> bool:
    return any(fault.kind == "word-in-silence" and can_be_heard(fault, scenario) for fault in scenario.faults)


def _word_comes_too_late(scenario: Scenario) -> bool:
    """Where all is printed late, a word that comes a little later is followed all the same."""
    return scenario.policy in ("skip", "blank", "finish", "again") and _word_can_be_heard(scenario)


def _power_goes_while_armed(scenario: Scenario) -> bool:
    cuts = [fault.at_h for fault in scenario.faults if fault.kind in ("node-killed", "node-gone")]
    return scenario.armed_h is not None and any(scenario.armed_h < at_h < 0.7 * scenario.hours for at_h in cuts)


def _enrolled_while_armed(scenario: Scenario) -> bool:
    again = [fault for fault in scenario.faults if fault.kind in ("board-again", "server-rebuilt")]
    instants = [one.at_h + (one.lasts_h if one.kind == "server-rebuilt" else 0.0) for one in again]
    return scenario.armed_h is not None and any(scenario.armed_h < at_h < 0.9 * scenario.hours for at_h in instants)


def _server_steps_far_ahead(scenario: Scenario) -> bool:
    far = any(fault.kind == "server-moved" and float(fault.detail) >= 600.0 for fault in scenario.faults)
    return far and steps_while_known(scenario)


def _somebody_calls(scenario: Scenario) -> bool:
    return any(fault.kind == "person-acts" and fault.detail == "call" for fault in scenario.faults)


def _model_is_revised(scenario: Scenario) -> bool:
    """While a run is printed a column at a time; by twice the cadence every other column would lie too early."""
    said = (fault for fault in scenario.faults if fault.kind == "plans-change" and fault.detail == "revised")
    return scenario.profile == "crawl" and any(fault.at_h < 0.5 * scenario.hours for fault in said)


def _later_run_is_withdrawn(scenario: Scenario) -> bool:
    """A run that may be another than the one in hand, of which its machine would have told."""
    said = (fault for fault in scenario.faults if fault.kind == "plans-change" and fault.detail == "withdrawn")
    return len(scenario.spans_h) > 1 and any(can_be_let_go(scenario, fault.at_h) for fault in said)


def _run_is_held(scenario: Scenario) -> bool:
    """While there is time left for a board to hear of it, and as much again for it to print on all the same."""
    changes = (fault for fault in scenario.faults if fault.kind == "plans-change" and fault.detail == "held")
    said = [fault for fault in changes if fault.at_h + 2.0 * HEARD_WITHIN_H < scenario.hours]
    return not scenario.neighbours and any(can_be_let_go(scenario, fault.at_h) for fault in said)


WRONGS: Mapping[str, Wrong] = {
    "orders-forgotten": Wrong(
        says="what was ordered and has no outcome is ordered once more",
        put=lambda: patch.object(order_log, "unknown_end", lambda db: None),
        where="node",
        within=40,
    ),
    "not-sent-again": Wrong(
        says="a server that was put back is not told again",
        put=node.not_sent_again,
        has=frozenset({"server-restored"}),
    ),
    "left-run-forgotten": Wrong(
        says="where a run was left is forgotten",
        put=node.left_run_forgotten,
        has=frozenset({"server-restored", "server-rebuilt"}),
        shows=lambda scenario: len(scenario.spans_h) > 1,
        within=40,
    ),
    "word-not-heeded": Wrong(
        says="a person's word is not followed",
        put=lambda: patch.object(settling, "_holds", lambda override, kept, since: False),
        has=frozenset({"word-in-silence", "word-in-pause", "word-in-replay"}),
    ),
    "resumes-by-itself": Wrong(
        says="an attended machine goes on by itself after a power cut",
        put=node.resumes_by_itself,
        has=frozenset({"attended"}),
        within=40,
    ),
    "jam-not-held": Wrong(
        says="an attended machine goes on by itself after a jam",
        put=lambda: patch.object(MachineAtHand, "_hold_unless_unattended", node.nothing),
        has=frozenset({"machine-jammed"}),
        within=60,
    ),
    "enrolled-and-silent": Wrong(
        says="a board that is enrolled anew does not tell how its machine stands",
        put=lambda: patch.object(told_anew, "tell_anew", node.nothing),
        has=frozenset({"board-again", "server-rebuilt"}),
        shows=_enrolled_while_armed,
        within=40,
    ),
    "fence-not-kept": Wrong(
        says="a board that was fenced off prints on",
        put=node.fence_not_kept,
        has=frozenset({"node-cloned"}),
    ),
    "paper-forgotten": Wrong(
        says="a new board takes for blank what another one may have laid",
        put=lambda: patch.object(takeover, "perhaps_laid_until", lambda held, first, *rest: first),
        has=frozenset({"journal-damaged"}),
        within=20,
    ),
    "newest-not-missed": Wrong(
        says="a board whose journal lost its newest does not see it by the paper that its machine remembers",
        put=lambda: patch.object(takeover, "paper_unknown", lambda db, paper_end: 0),
        has=frozenset({"wal-lost"}),
        within=60,
    ),
    "cuts-unarmed": Wrong(
        says="the knife cuts though nobody armed it",
        put=node.cuts_unarmed,
        has=frozenset({"node-killed", "node-gone"}),
    ),
    "cuts-in-quiet-hours": Wrong(
        says="the knife cuts in quiet hours that the board knows of",
        put=node.cuts_in_quiet_hours,
        draw=draw_more,
        shows=lambda scenario: scenario.quiet and scenario.armed_h is not None and scenario.armed_h < 1.0,
    ),
    "armed-for-ever": Wrong(
        says="the knife stays armed over a power cut",
        put=node.armed_for_ever,
        shows=_power_goes_while_armed,
        within=20,
    ),
    "position-slips": Wrong(
        says="the journal's place on the paper falls behind",
        put=node.position_slips,
    ),
    "copy-taken": Wrong(
        says="the server takes the word of a copied board for its original's",
        put=server.copy_taken,
        has=frozenset({"node-cloned"}),
        within=20,
    ),
    "told-twice": Wrong(
        says="columns that a journal tells again, having lost that it told them, are counted again",
        put=server.told_twice,
        has=frozenset({"wal-lost"}),
        within=40,
    ),
    "word-not-given": Wrong(
        says="the server forgets that a word was given when it settles a gap itself",
        put=server.word_not_given,
        has=frozenset({"word-in-silence", "word-in-pause", "word-in-replay"}),
        within=20,
    ),
    "again-for-ever": Wrong(
        says="what was printed once more is still asked for once more",
        put=server.again_for_ever,
        has=frozenset({"again", "replay-again", "shift-again"}),
        within=20,
    ),
    "not-concluded": Wrong(says="a segment that is accounted for stays open", put=server.not_concluded),
    "half-printed-unseen": Wrong(
        says="a segment that broke off in its middle is taken for whole",
        put=node.half_printed_unseen,
        has=frozenset({"node-killed", "node-gone"}),
    ),
    "pause-not-heeded": Wrong(
        says="the machine prints on though a person paused it",
        put=node.pause_not_heeded,
        has=frozenset({"word-in-pause"}),
    ),
    "orders-written-late": Wrong(
        says="an order is written down only when it is done",
        put=node.orders_written_late,
        where="node",
        within=40,
    ),
    "step-believed": Wrong(
        says="a server whose clock steps is believed at once",
        put=node.step_believed,
        shows=_server_steps_far_ahead,
        within=20,
    ),
    "word-not-waited-for": Wrong(
        says="a gap is settled before the server was asked for a person's word",
        put=lambda: patch.object(WorkInquiry, "is_awaited", lambda self: False),
        shows=_word_comes_too_late,
        within=5,
    ),
    "sent-is-taken": Wrong(
        says="what was sent counts as taken, and is never sent again",
        put=node.sent_is_taken,
        has=frozenset({"answers-lost", "network-gone", "server-gone", "connections-cut"}),
    ),
    "last-taken-twice": Wrong(
        says="the server counts the last entry of a board once more",
        put=server.last_taken_twice,
    ),
    "overdue-not-offered": Wrong(
        says="the server offers nothing whose time is over",
        put=server.overdue_not_offered,
        has=frozenset({"node-gone", "journal-damaged"}),
        within=20,
    ),
    "word-not-handed-out": Wrong(
        says="the server keeps a person's word to itself",
        put=server.word_not_handed_out,
        shows=_word_can_be_heard,
        within=5,
    ),
    "unknown-not-counted": Wrong(
        says="columns that may be on the paper have no outcome at the server",
        put=server.unknown_not_counted,
        has=frozenset({"node-killed", "node-gone"}),
        within=20,
    ),
    "all-told-anew": Wrong(
        says="a board that is enrolled again tells all that it told before, and it is counted again",
        put=server.all_told_anew,
        has=frozenset({"board-again"}),
    ),
    "work-from-the-beginning": Wrong(
        says="the server does not say from where on a run is to be printed",
        put=server.first_hour_forgotten,
        has=frozenset({"journal-damaged"}),
        within=40,
    ),
    "octets-not-synced": Wrong(
        says="a plate has its name on the board's card before its octets are there",
        put=node.octets_not_synced,
        has=frozenset({"loses"}),
        draw=draw_more,
        within=20,
    ),
    "name-not-synced": Wrong(
        says="a plate is told to be on the board's card before its name is there",
        put=lambda: patch.object(plate_cache, "sync_folder", node.nothing),
        has=frozenset({"loses"}),
        draw=draw_more,
        within=20,
    ),
    "names-not-synced": Wrong(
        says="a plate is told to be on the server's disk before its name is there",
        put=server.names_not_synced,
        has=frozenset({"loses"}),
        draw=draw_more,
        within=20,
    ),
    "commits-not-synced": Wrong(
        says="what the board's journal commits is not on the card at once",
        put=node.commits_not_synced,
        has=frozenset({"loses"}),
        draw=draw_more,
        within=20,
    ),
    "by-hand-forgotten": Wrong(
        says="paper that a person had fed or printed by hand does not count as used",
        put=node.by_hand_forgotten,
        has=frozenset({"person-acts"}),
        draw=draw_more,
        within=60,
    ),
    "call-noted-nowhere": Wrong(
        says="a person's call is written where the journal has no room for it",
        put=node.call_noted_nowhere,
        shows=_somebody_calls,
        draw=draw_more,
        within=3,
    ),
    "newer-journal-read": Wrong(
        says="a program goes on with the journal of a newer one",
        put=node.newer_journal_read,
        has=frozenset({"program-newer"}),
        draw=draw_more,
    ),
    "withdrawn-offered": Wrong(
        says="a run that was withdrawn is handed out all the same",
        put=server.withdrawn_offered,
        shows=_later_run_is_withdrawn,
        draw=draw_more,
    ),
    "newest-handed-out": Wrong(
        says="a board is told of the newest version of its model, and not of that of its run",
        put=server.newest_handed_out,
        shows=_model_is_revised,
        draw=draw_more,
    ),
    "recess-not-heeded": Wrong(
        says="a machine prints on though its run is held",
        put=lambda: patch.object(HeldWork, "recess_at", node.nothing),
        shows=_run_is_held,
        draw=draw_more,
    ),
}
