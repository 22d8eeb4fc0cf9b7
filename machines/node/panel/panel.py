"""What the pages of the panel show, and what is done that they ask for."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from machines.chance import Chance
from machines.clock import Clock
from machines.errors import InputError
from machines.node.clock import manual_time
from machines.node.clock.server_time import Estimate
from machines.node.manual import arming, job, prints
from machines.node.manual.job import HandAction
from machines.node.panel import pages
from machines.node.panel.panel_state import HAND_ACTIONS, PanelFacts, gather
from machines.node.panel.pin import Guard, Session
from machines.node.store import identity, operator_actions
from machines.node.store.journal import Journal
from machines.node.sync import call_now, reachability
from machines.node.sync.reachability import ServerReach
from machines.operator import holds, labels
from machines.operator.labels import PanelAction
from machines.operator.language import _
from machines.protocol.journal_entries import Action

log = logging.getLogger(__name__)


@dataclass
class Panel:
    """What the pages are made from.

    Attributes:
        journal, clock: the node's.
        time: the server's time at this moment.
        chance: names its sessions.
        boot: names the clock's count of elapsed seconds.
        stop_is_open: whether anybody in the network may stop and pause the machine, without the PIN.
    """

    journal: Journal
    clock: Clock
    time: Callable[[], Estimate | None]
    chance: Chance
    boot: str = ""
    stop_is_open: bool = False
    guard: Guard = field(init=False)

    def __post_init__(self) -> None:
        self.guard = Guard(self.journal, self.clock, self.chance)

    def status(self, message: str = "") -> str:
        """The page that anybody in the network may read."""
        with self.journal.reading() as db:
            credentials = identity.credentials(db)
        machine = _("not enrolled") if credentials is None else credentials.machine
        return pages.status_page(machine, self._facts(), message, stop_is_open=self.stop_is_open)

    def actions(self, session: Session, message: str = "") -> str:
        """The page of whoever gave the PIN."""
        return pages.actions_page(self._facts(), session.form_token, message)

    def _facts(self) -> PanelFacts:
        estimate = self.time()
        return gather(self.journal, estimate, self._server(estimate))

    def _server(self, estimate: Estimate | None) -> ServerReach:
        with self.journal.reading() as db:
            return reachability.at_board(db, self.clock, self.boot, estimate)

    def enter(self, message: str = "") -> str:
        """The page that asks for the PIN."""
        with self.journal.reading() as db:
            return pages.enter_page(message, pin_set=identity.pin(db) is not None)

    def act(self, text: str, form: Mapping[str, str]) -> str:
        """Do what a person asked for, with what the form says of it; what to say about it.

        Raises:
            InputError: it cannot be done.
        """
        action = labels.panel_action(text)
        if action is None:
            raise InputError("action", _("no such action"), _("choose one of the page"))
        if action in pages.WANTS_TICK and form.get("looked") != "yes":
            problem, remedy = _("it was not ticked that all is clear"), _("look at the machine, tick, and ask again")
            raise InputError("looked", problem, remedy)
        log.warning("at the panel: %s", action)
        if action in HAND_ACTIONS:
            return f"{_(labels.LABELS[action])}. {self._by_hand(action, form)}"
        if action == labels.CALL:
            return _("The agent has called. The server: {how}.").format(how=self._call())
        if action == labels.SET_TIME:
            self._set_time(form)
        elif action == labels.ARM:
            arming.ask_to_arm(self.journal)
        else:
            return _done(action) + arming.act(self.journal, action)
        return _done(action)

    def halt(self, action: Action, address: str) -> str:
        """Stop or pause for somebody at an address who did not give the PIN; what to say about it. What is so already
        is not written down once more: that would let anybody fill the card.

        Raises:
            InputError: it cannot be done.
        """
        hold = self.journal.state().hold
        if operator_actions.is_so(hold, action):
            return _("Nothing was to be done: {how}.").format(how=_(holds.AT_MACHINE[hold]))
        more = arming.act(self.journal, action, by_anybody=True)
        log.warning("at the panel: %s without the PIN from %s", action, address)
        return _done(action) + more

    def _by_hand(self, action: HandAction, form: Mapping[str, str]) -> str:
        length_mm = _number(form, "length_mm") if action in ("feed", "place-set") else job.FEED_MM
        named = form.get("pattern")
        pattern = next((one for one in prints.PATTERN_LABELS if one == named), None)
        if named is not None and pattern is None:
            raise InputError("pattern", _("no such pattern"), _("choose one of the page"))
        with self.journal.transaction() as db:
            asked = job.ask(db, action, length_mm=length_mm, pattern=pattern)
        return job.wait(self.journal, asked)

    def _call(self) -> str:
        with self.journal.transaction() as db:
            call_now.ask(db)
        call_now.wait(self.journal)
        return self._server(self.time()).in_words()

    def _set_time(self, form: Mapping[str, str]) -> None:
        elapsed_s = self.clock.elapsed()
        if problem := manual_time.why_not(self.time()):
            said = _("nobody needs to set it: {why}").format(why=problem)
            raise InputError("time", said, _("leave it as it is"))
        instant = manual_time.instant_of(form.get("time", ""), form.get("zone", "").strip())
        within_s = _number(form, "within_s")
        with self.journal.transaction() as db:
            manual_time.say(db, self.boot, elapsed_s, instant, within_s)


def _done(action: PanelAction) -> str:
    return _("Done: {action}.").format(action=_(labels.LABELS[action]))


def _number(form: Mapping[str, str], name: str) -> float:
    try:
        return float(form.get(name, ""))
    except ValueError:
        raise InputError(name, _("not a number"), _("give a number")) from None
