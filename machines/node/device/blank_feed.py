"""Feeding blank paper in the places of columns that were left out, and stopping where the knife has to cut.

Only the place is counted here: the machine is ordered in absolute places, so it feeds the paper with the next cut or
the next burst. A power cut in between makes nothing unknown.
"""

from __future__ import annotations

from machines.model.profile import Profile
from machines.node.store import strips
from machines.node.store.journal import Journal, change_state
from machines.node.work.snapshot import Snapshot


def feed(journal: Journal, snapshot: Snapshot, profile: Profile) -> bool:
    """Go on to where the knife must be looked at, or to where printing goes on; whether there was blank to feed."""
    position, feed_to = snapshot.state.paper_position, snapshot.recovery.feed_to
    if position >= feed_to:
        return False
    with journal.transaction() as db:
        cuts_due = [strip.place + profile.knife_columns for strip in strips.pending(db)]
        change_state(db, paper_position=min([feed_to, *(due for due in cuts_due if due > position)]))
    return True
