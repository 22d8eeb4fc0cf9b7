"""The network's side of the node: time, work, plates and reports, in passes. Nothing of it is urgent: the print loop
goes on with what is held, for as long as that lasts."""

from __future__ import annotations

import logging
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass, field
from functools import partial

from machines.chance import Chance
from machines.clock import Clock
from machines.errors import InputError
from machines.node.store.journal import Journal, change_state
from machines.node.sync import call_now, reachability
from machines.node.sync.client import BACKOFF_FIRST_S, Client, NotUnderstood, backoff_s, read_work
from machines.node.sync.errands import Trouble, attempt
from machines.node.sync.failures import (
    OF_ONE_ANSWER,
    CallFailed,
    FencedOff,
    Unreachable,
)
from machines.node.sync.report_errand import ReportErrand
from machines.node.sync.timekeeper import Timekeeper
from machines.node.waiting.inquiry import WorkInquiry
from machines.node.work import held_work as holding
from machines.node.work import not_understood, offers
from machines.node.work.offers import Fetched
from machines.node.work.plate_cache import PlateCache, longest_png
from machines.node.work.plausibility import is_same_machine
from machines.protocol.messages import Work

log = logging.getLogger(__name__)

FIRST_POLL_S = 60.0
# A board that was started, and has what it needs, calls within so many seconds, or its pace if that is less.
FIRST_WITHIN_S = 60.0
# Whatever the server says, seconds: it is not asked more often, and not left for longer.
LEAST_POLL_S, LONGEST_POLL_S = 1.0, 3600.0
# What was said once is not said with every pass; but a trouble that is never told twice alike is not kept for ever.
MOST_SAID = 50


def _pace_s(work: Work) -> float:
    """How often the server wants to be asked, seconds, as far as that is heeded."""
    return min(max(work.poll_after_s, LEAST_POLL_S), LONGEST_POLL_S)


@dataclass
class Exchange:
    """Passes of errands to the server.

    Attributes:
        journal, clock, time, plates, client: what it works with.
        epoch: of the credentials.
        horizon: how far ahead work is held, ISO 8601.
        panel: where people find the board's panel; None for none that is known.
        inquiry: tells the print loop of the passes; one that it waits for comes at once, whatever came of the last.
        chance: keeps boards that were cut off together from coming back together.
        reports: the errand that tells what the server does not know yet.
    """

    journal: Journal
    clock: Clock
    time: Timekeeper
    plates: PlateCache
    client: Client
    epoch: int
    horizon: str
    inquiry: WorkInquiry
    chance: Chance
    panel: str | None = None
    _failures: int = 0
    _poll_s: float = FIRST_POLL_S
    _said: set[str] = field(default_factory=set)
    _not_had: set[str] = field(default_factory=set)
    _reach: reachability.Reach | None = None
    _had_its_pass: bool = False
    reports: ReportErrand = field(init=False)

    def __post_init__(self) -> None:
        self.reports = ReportErrand(self.journal, self.time, self.client, self.epoch, panel=self.panel)

    def run(self, stopping: Callable[[], bool]) -> None:
        """Pass after pass until it is time to stop, and once more for the last reports; ``stopping`` says whether it
        is, and that it says something else is told as news."""
        self._attempt(self._read_again)
        first_wait_s = self._first_wait_s()
        if first_wait_s > 0.0:
            self._wait_until(self.clock.elapsed() + first_wait_s, stopping)
        while not stopping():
            began_s = self.clock.elapsed()
            self._wait_until(began_s + self.run_once(), stopping)
        self._do([self.reports.run])

    def _first_wait_s(self) -> float:
        """How long to wait before the first pass, seconds: boards that are started together do not all call at once."""
        work = self._work_enough()
        return 0.0 if work is None else min(_pace_s(work), FIRST_WITHIN_S) * self.chance.share()

    def _after_failure_s(self, asked_s: float) -> float:
        """How long to wait after a failure, seconds, where at least so many were asked for."""
        usual_s = BACKOFF_FIRST_S if self._work_enough() is None else self._poll_s
        return backoff_s(self._failures, asked_s, self.chance.share, usual_s)

    def _work_enough(self) -> Work | None:
        """What is held, where that is enough to print without the server: all plates are here, the time is known, and
        nobody has to be asked how to go on."""
        if self.inquiry.is_open or self.time.estimate() is None:
            return None
        try:
            with self.journal.reading() as db:
                work = holding.work_held(db)
        except sqlite3.Error:  # the print loop has its own say
            return None
        return work if work is not None and all(map(self.plates.has, work.plates)) else None

    def _wait_until(self, due_s: float, stopping: Callable[[], bool]) -> None:
        """Until a second of the clock, or until a pass is wanted at once."""
        news = self.journal.news
        while True:
            told, left_s = news.told, due_s - self.clock.elapsed()
            if stopping() or self._is_wanted_now() or left_s <= 0:
                return
            news.wait(told, self.clock.real_s(left_s))

    def run_once(self) -> float:
        """One pass.

        Returns:
            how long to wait before the next one, in the clock's seconds.
        """
        self._had_its_pass = self._attempt(self._take_up_call) is not None
        self.inquiry.begin()
        troubles, heard = self._do([self._ask_time, self.reports.run, self.fetch_work, self._fetch_plates])
        self.inquiry.end()
        if troubles:
            self._failures += 1
            wait_s = self._after_failure_s(max(trouble.wait_s for trouble in troubles))
        else:
            self._recovered()
            wait_s = self._poll_s
        self._attempt(lambda: self._keep_reach(troubles[0] if troubles else None, wait_s, heard=heard))
        return wait_s

    def _is_wanted_now(self) -> bool:
        return self.inquiry.is_wanted or self._waits_for_pass()

    def _waits_for_pass(self) -> bool:
        """Whether a person does. A call that could not be taken down, on a full card for one, had its pass all the same
        and still stands there: it hastens the next once it can be, or pass would follow pass without a pause."""
        return self._is_called() and not (self._had_its_pass and self._attempt(self._take_up_call) is not None)

    def _do(self, errands: list[Callable[[], None]]) -> tuple[list[Trouble], bool]:
        """Run errands. None that comes to nothing keeps the next from being tried, unless nothing can be reached, or
        the server is too busy even to tell the time.

        Returns:
            what was wrong, in order; and whether the server was heard.
        """
        troubles: list[Trouble] = []
        heard = False
        for errand in errands:
            trouble = self._attempt(errand)
            if trouble is None:
                heard = heard or errand != self._fetch_plates  # which may have nothing to ask for
                continue
            troubles.append(trouble)
            heard = heard or trouble.is_ours
            if trouble.is_cut_off or (trouble.kind == "busy" and errand == self._ask_time):
                break
        return troubles, heard

    def _attempt(self, errand: Callable[[], None]) -> Trouble | None:
        trouble = attempt(partial(self._heed_fence, errand))
        if trouble is not None:
            self._say(trouble)
            self.client.close()  # over a connection on which something odd came, nothing more is asked
        return trouble

    def _heed_fence(self, errand: Callable[[], None]) -> None:
        try:
            errand()
        except FencedOff as refusal:
            with self.journal.transaction() as db:
                change_state(db, fenced=refusal.detail)
            raise

    def _say(self, trouble: Trouble) -> None:
        """Once, not with every pass."""
        if trouble.kind == "fenced" or trouble.detail in self._said:
            return
        if len(self._said) >= MOST_SAID:
            self._said.clear()
        self._said.add(trouble.detail)
        log.warning("%s", trouble.detail, exc_info=trouble.fault)

    def _recovered(self) -> None:
        if self._said:
            log.info("the server is answering again")
        self._failures = 0
        self._said.clear()

    def _keep_reach(self, trouble: Trouble | None, wait_s: float, *, heard: bool) -> None:
        """Keep what a person at the machine may want to know; who asked for the pass finds it there."""
        with self.journal.transaction() as db:
            kept = reachability.last_reach(db)
            now = reachability.after_pass(self._reach or kept, trouble, self.time.moment(), wait_s, heard=heard)
            if reachability.worth_keeping(kept, now):
                reachability.keep(db, now)
            call_now.end(db)
        self._reach = now

    def _is_called(self) -> bool:
        try:
            with self.journal.reading() as db:
                return call_now.is_asked(db)
        except sqlite3.Error:  # the print loop has its own say
            return False

    def _take_up_call(self) -> None:
        if self._is_called():
            with self.journal.transaction() as db:
                call_now.begin(db)

    # The errands.

    def _ask_time(self) -> None:
        self.time.ask(self.client)

    def fetch_work(self) -> None:
        """Ask for work, and hold what came."""
        with self.journal.reading() as db:
            etag, before, puzzle = holding.etag_held(db), holding.work_held(db), not_understood.unread_answer(db)
        known = puzzle.etag if puzzle is not None and puzzle.etag else etag
        try:
            fetched = self.client.work(self.horizon, known)
        except NotUnderstood as error:
            with self.journal.transaction() as db:
                not_understood.keep(db, error.unread)
            raise
        now = before if fetched is None else fetched.work
        if now is not None:
            self._poll_s = _pace_s(now)
        if fetched is not None:
            self._take(fetched, before)
        elif puzzle is not None and known != etag:
            raise NotUnderstood(puzzle)
        elif puzzle is not None and etag and not puzzle.etag:  # what is held counts again, and no longer that
            with self.journal.transaction() as db:
                not_understood.keep(db, None)
        self.inquiry.answer()

    def _take(self, fetched: Fetched, before: Work | None) -> None:
        if not is_same_machine(before, fetched.work):
            raise Unreachable("work came for a machine of other dots than this one's")
        with self.journal.transaction() as db:
            offers.hold(db, fetched)
            was_taken = holding.etag_held(db) == fetched.etag
            not_understood.keep(db, fetched.unread if was_taken else None)
        if fetched.unread is not None:
            log.warning("of the server's work, something is not understood: %s", fetched.unread.problem)

    def _read_again(self) -> None:
        """What an agent of an earlier version did not understand. By the same version, it is not understood again."""
        with self.journal.reading() as db:
            before, puzzle = holding.work_held(db), not_understood.unread_answer(db)
        if puzzle is None:
            return
        fetched = read_work(puzzle.said, puzzle.etag)
        if fetched.unread is None or fetched.unread.problem != puzzle.problem:
            self._take(fetched, before)

    def _fetch_plates(self) -> None:
        """One that cannot be had keeps the others neither from coming nor from going."""
        with self.journal.reading() as db:
            work = holding.work_held(db)
        missing = [] if work is None else [digest for digest in work.plates if not self.plates.has(digest)]
        if work is None or not missing:
            return
        with self.journal.reading() as db:
            needed = holding.plates_needed(db)
        self.plates.prune(needed)  # first: on a card that is nearly full, this makes the room
        self._not_had &= set(missing)
        first: CallFailed | None = None
        for digest in sorted(missing, key=self._not_had.__contains__):
            try:
                self._fetch_plate(digest, work)
            except CallFailed as error:
                self._not_had.add(digest)
                if error.kind not in OF_ONE_ANSWER:
                    raise
                self.client.close()
                first = first or error
        if first is not None:
            raise first

    def _fetch_plate(self, digest: str, work: Work) -> None:
        # Closed at once where it is no plate: what came over that connection would else be held until it is forgotten.
        with closing(self.client.plate(digest, longest_png(work.profile))) as png:
            try:
                self.plates.keep(digest, png, work.profile)
            except InputError as error:
                raise Unreachable(f"plate {digest[:12]}: {error}") from error
