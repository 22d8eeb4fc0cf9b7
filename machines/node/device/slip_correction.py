"""Watching where the paper really is, and putting it right between bursts, a little at a time.

Looked at after each burst, when there is time until the next. What is put right is measured again, not believed: so a
power cut between a correction and the word of it costs the word, never the place.
"""

from __future__ import annotations

import logging
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from machines.clock import utc
from machines.drivers import Driver, MachineStopped
from machines.model.position import BLANK_COLUMNS, Slip, SlipState, correction_mm, difference_mm, least_mm, slip_report
from machines.model.profile import Profile
from machines.node.store import outbox
from machines.node.store.journal import Journal
from machines.node.store.slip_state import keep_track, read_track
from machines.node.work.bursts import Burst
from machines.node.work.held_work import HeldWork
from machines.node.work.plate_cache import PlateCache
from machines.operator.language import _, decimal
from machines.protocol.journal_entries import Entry, FeedCorrected, SlipMeasured

log = logging.getLogger(__name__)


def in_words(track: SlipState, profile: Profile, mean_turn_s: float | None) -> str:
    """The paper's slip as the node last said it, for a person beside the machine; empty without an encoder.

    Args:
        track: what the journal knows.
        profile: of the machine.
        mean_turn_s: of the run, seconds; None without one.
    """
    if profile.encoder_pitch_mm is None:
        return ""
    if track.zero_mm is None:
        return _("not measured yet since the roll or the run changed")
    if track.said_mm == 0.0:
        threshold = decimal(f"{profile.slip_threshold_mm:g}")
        return _("none: the paper is where it belongs, to within {threshold} mm").format(threshold=threshold)
    if mean_turn_s is None:
        said = _("{mm} mm behind when last reported") if track.said_mm < 0 else _("{mm} mm ahead when last reported")
        return said.format(mm=decimal(f"{abs(track.said_mm):.2f}"))
    slip = Slip.of_mm(track.said_mm, profile, mean_turn_s)
    behind = _(
        "{mm} mm behind ({seconds} s, {degrees} degrees) when last reported; it is put right bit by bit where the"
        " picture is blank"
    )
    ahead = _(
        "{mm} mm ahead ({seconds} s, {degrees} degrees) when last reported; it is put right bit by bit where the"
        " picture is blank"
    )
    return (behind if slip.mm < 0 else ahead).format(
        mm=decimal(f"{abs(slip.mm):.2f}"),
        seconds=f"{abs(slip.seconds):.0f}",
        degrees=decimal(f"{abs(slip.degrees):.2f}"),
    )


class SlipWatch:
    """Follows the paper of a machine that measures it; without an encoder it does nothing."""

    def __init__(self, journal: Journal, plates: PlateCache) -> None:
        """Wire it up; see `machines.node.printing.loop.Printer`."""
        self._journal = journal
        self._plates = plates
        self._track: SlipState | None = None

    def forget(self) -> None:
        """A person may be at the machine, or the run is another: look into the journal again before the next look. What
        was put right is kept there; the zero is not, as who changed the roll may have set it anew already."""
        if self._track is not None:
            with self._journal.transaction() as db:
                db.execute("UPDATE track SET corrected_mm = ?", (self._track.corrected_mm,))
        self._track = None

    def look(self, driver: Driver, work: HeldWork, burst: Burst, now: float) -> None:
        """After a burst: say what is new of the slip, and put a little of it right before the next burst.

        Args:
            driver: of the machine, which stands still between two bursts.
            work: the work.
            burst: just laid.
            now: by the server, POSIX seconds.
        """
        try:
            feed = driver.feed()
            if feed is None:
                return
            difference = difference_mm(feed, work.profile)
            track = self._known(difference)
            slip_mm = difference - (track.zero_mm or 0.0)
            self._track = track = self._say(work, burst, slip_mm, track, now)
            self._track = replace(track, corrected_mm=track.corrected_mm + self._correct(driver, work, burst, slip_mm))
        except MachineStopped as stop:  # what stops it, the next burst finds out
            log.warning("the paper's place could not be put right: %s", stop)

    def _known(self, difference: float) -> SlipState:
        """The track, with this look as its zero where it has none: nothing has slipped yet."""
        if self._track is not None:
            return self._track
        with self._journal.reading() as db:
            track = read_track(db)
        if track.zero_mm is None:
            track = replace(track, zero_mm=difference)
            with self._journal.transaction() as db:
                keep_track(db, track)
        return track

    def _say(self, work: HeldWork, burst: Burst, slip_mm: float, track: SlipState, now: float) -> SlipState:
        what = slip_report(slip_mm, track, work.profile)
        if what is None:
            return track
        slip = Slip.of_mm(slip_mm, work.profile, work.run.mean_turn_s)
        said = what == "slipped"
        after = replace(track, said_mm=slip_mm if said else 0.0, corrected_mm=track.corrected_mm if said else 0.0)
        with self._journal.transaction() as db:
            entry = self._entry(what, outbox.next_seq(db), burst, slip, track, now)
            outbox.append(db, entry)
            keep_track(db, after)
        log.warning("the paper is %s", slip.in_words() if said else "where it belongs again")
        return after

    def _entry(self, what: str, seq: int, burst: Burst, slip: Slip, track: SlipState, now: float) -> Entry:
        column, run = burst.end_column, burst.run
        if what == "corrected":
            mm = track.corrected_mm
            return FeedCorrected(seq=seq, at=utc(now), run=run, column=column, corrected_mm=mm, slip_mm=slip.mm)
        return SlipMeasured(
            seq=seq,
            at=utc(now),
            run=run,
            column=column,
            slip_mm=slip.mm,
            slip_s=slip.seconds,
            slip_degrees=slip.degrees,
        )

    def _correct(self, driver: Driver, work: HeldWork, burst: Burst, slip_mm: float) -> float:
        """Put right what may be put right here; how much was, further on positive."""
        if abs(slip_mm) < least_mm(work.profile) or burst.end_column >= work.run.end_column:
            return 0.0
        mm = correction_mm(slip_mm, work.profile, self._near(work, burst.end_column))
        return driver.correct(mm) if mm else 0.0

    def _near(self, work: HeldWork, column: int) -> NDArray[np.bool_] | None:
        """The dots on both sides of where a column begins; None where not all of them are held."""
        columns = range(column - BLANK_COLUMNS, column + BLANK_COLUMNS)
        try:
            near = [self._plates.dots(work.plate_of(each), each, each + 1, work.profile) for each in columns]
        except FileNotFoundError:
            return None
        return np.concatenate(near, axis=1)
