"""Random histories: the power goes between any two lines that matter, the machine stops, work and time fail, a service
stops the agent in order. Afterwards the paper, read from its files, and the journal must tell the same story."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from pathlib import Path

from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from machines.model.profile import Knife
from machines.node.store.journal import change_state
from machines.protocol.journal_entries import GapSettled, NodeStarted, TrueAgain
from tests.machines.node.account import check_paper
from tests.machines.node.relay import carriage_profile, line_profile
from tests.machines.node.rig import Crash, HandClock, Rig, make_studio

COLUMN_S = 120.0
COLUMNS = 96


@dataclass(frozen=True)
class Event:
    """Something happens.

    Attributes:
        kind: what.
        after: when: so many columns of time later; a power cut so many of the places where it may go later.
        away: for how many columns of time.
    """

    kind: str
    after: int
    away: float


events = st.builds(
    Event,
    kind=st.sampled_from(["power", "power", "power", "service", "jam", "clock", "busy", "unheld", "arm"]),
    after=st.integers(0, 60),
    away=st.floats(0.0, 40.0),
)


def live_through(node: Rig, event: Event) -> None:
    """Go on printing until the event, and through it."""
    away_s = event.away * COLUMN_S
    if event.kind == "power":
        node.fuse.left = event.after
        try:
            node.run_columns(COLUMNS)
        except Crash:
            node.crash()
            node.fuse.left = None
            node.clock.at += away_s
            node.start()
        node.fuse.left = None
        return
    node.run_columns(event.after)
    if event.kind == "service":
        node.stop()
        node.clock.at += away_s
        node.start()
    elif event.kind == "jam" and node.machine is not None:
        node.machine.stop_with = ("media-jam-error",)
        node.run_until(node.clock.at + away_s)
        node.machine.keywords = node.machine.stop_with = ()
    elif event.kind == "clock":
        node.time_known = False
        node.run_until(node.clock.at + away_s)
        node.time_known = True
    elif event.kind == "busy":
        node.clock.at += away_s
    elif event.kind == "unheld":
        node.studio.horizon_s = COLUMN_S
        node.fetch()
        node.run_until(node.clock.at + away_s)
        node.studio.horizon_s = 7 * 86400.0
    elif event.kind == "arm":
        with node.journal.transaction() as db:
            change_state(db, arming_asked=1)
    node.fetch()


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    happenings=st.lists(events, max_size=6),
    policy=st.sampled_from(["skip", "replay"]),
    carriage=st.booleans(),
    columns_per_commit=st.sampled_from([1, 5, 40]),
    knife_mm=st.sampled_from([0.0, 3.0, 11.0]),
    first_column=st.integers(690, 710),
    starts_in_columns=st.integers(-20, 5),
)
@example([Event("arm", 0, 0.0), Event("service", 15, 15.0)], "skip", False, 1, 0.0, 690, 0)
@example([Event("power", 9, 0.0)], "skip", False, 1, 3.0, 700, 1)
@example([Event("power", 30, 20.0), Event("power", 15, 5.0)], "replay", True, 1, 3.0, 700, 1)
def test_every_column_is_on_the_paper_once_or_named_in_a_decision(
    happenings: list[Event],
    policy: str,
    carriage: bool,
    columns_per_commit: int,
    knife_mm: float,
    first_column: int,
    starts_in_columns: int,
) -> None:
    knife = Knife(head_to_knife_mm=knife_mm, cuts_per_blade=100)
    profile = carriage_profile(knife=knife) if carriage else line_profile(knife=knife)
    clock = HandClock()
    studio = make_studio(
        clock,
        profile=profile,
        policy=policy,
        first_column=first_column,
        columns=COLUMNS,
        starts_in_s=starts_in_columns * COLUMN_S + 1.0,
        strips_per_turn=48,
    )
    with tempfile.TemporaryDirectory() as folder:
        node = Rig(Path(folder), studio, clock, columns_per_commit)
        node.fetch()
        for event in happenings:
            live_through(node, event)
        node.fetch()
        node.run_until(max(clock.at, studio.instant(first_column + COLUMNS)) + 3 * COLUMNS * COLUMN_S)
        node.fetch()
        entries = node.entries()
        accounted = check_paper(node.paper(), studio, entries)
        assert accounted == set(range(first_column, first_column + COLUMNS))
        assert studio.accounted() == accounted, "the server knows it all"
        assert studio.entries == entries
        assert sum(e.unplanned_stop for e in node.entries(NodeStarted)) <= sum(e.kind == "power" for e in happenings)
        if policy == "skip":
            assert not node.entries(TrueAgain)
        elif node.entries(GapSettled):
            assert not any(len(e.decision.skipped) for e in node.entries(GapSettled)), "a replay leaves nothing out"
        node.stop()
