"""Random histories under every rule, with persons' words in between: the power goes between any two lines that matter,
the machine jams or runs out, work and time fail. Afterwards paper, journal and the server's own decisions agree."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from pathlib import Path

from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from machines.clock import utc
from machines.model.profile import Knife
from machines.node.store.journal import change_state
from machines.protocol.journal_entries import GapSettled
from machines.recovery import Override, Policy, Rule, Span
from tests.machines.node.outages import OutageStudio, check_story, outage_studio
from tests.machines.node.relay import carriage_profile, line_profile
from tests.machines.node.rig import Crash, HandClock, Rig
from tests.machines.recovery.worlds import policies, rules

COLUMN_S = 120.0
COLUMNS = 96
FIRST = 700


@dataclass(frozen=True)
class Event:
    """Something happens.

    Attributes:
        kind: what.
        after: when: so many columns of time later; a power cut so many of the places where it may go later.
        away: for how many columns of time.
        rule: of a person's word.
    """

    kind: str
    after: int
    away: float
    rule: Rule = Rule(kind="skip")  # noqa: RUF009 - it is frozen


KINDS = ["power", "power", "power", "service", "jam", "empty", "clock", "unheld", "word", "word", "arm"]
events = st.builds(
    Event, kind=st.sampled_from(KINDS), after=st.integers(0, 60), away=st.floats(0.0, 40.0), rule=rules()
)


def live_through(node: Rig, event: Event, number: int) -> None:
    """Go on printing until the event, and through it."""
    away_s, studio = event.away * COLUMN_S, node.studio
    assert isinstance(studio, OutageStudio)
    if event.kind == "power":
        node.fuse.left = event.after
        try:
            node.run_columns(COLUMNS)
        except Crash:
            node.crash()
            node.clock.at += away_s
            node.fuse.left = None
            node.start()
        node.fuse.left = None
        return
    node.run_columns(event.after)
    if event.kind == "service":
        node.stop()
        node.clock.at += away_s
        node.start()
    elif event.kind in ("jam", "empty") and node.machine is not None:
        node.machine.stop_with = ("media-jam-error",) if event.kind == "jam" else ("media-empty-error",)
        node.run_until(node.clock.at + away_s)
        node.machine.keywords = node.machine.stop_with = ()
    elif event.kind == "clock":
        node.time_known = False
        node.run_until(node.clock.at + away_s)
        node.time_known = True
    elif event.kind == "unheld":
        studio.horizon_s = COLUMN_S
        node.fetch()
        node.run_until(node.clock.at + away_s)
        studio.horizon_s = 7 * 86400.0
    elif event.kind == "word":
        studio.override = Override(id=f"word {number}", rule=event.rule, given_at=utc(node.clock.at))
    elif event.kind == "arm":
        with node.journal.transaction() as db:
            change_state(db, arming_asked=1)
    node.fetch()


def closed_hours(clock: HandClock, every: float) -> tuple[Span, ...]:
    """Half of the time, for a long time."""
    edges = [utc(clock.at + edge * every * COLUMN_S) for edge in range(200)]
    return tuple(Span(starts_at=a, ends_at=b) for a, b in zip(edges[::2], edges[1::2], strict=True))


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    happenings=st.lists(events, max_size=5),
    policy=policies(),
    carriage=st.booleans(),
    columns_per_commit=st.sampled_from([1, 5, 40]),
    knife_mm=st.sampled_from([0.0, 3.0, 11.0]),
    closed_every=st.none() | st.floats(3.0, 60.0),
)
@example(
    [Event("power", 40, 20.0), Event("power", 3, 5.0)], Policy(kind="skip", half_printed="again"), False, 1, 3.0, None
)
@example(
    [Event("power", 40, 30.0), Event("power", 2, 1.0)], Policy(kind="blank", half_printed="finish"), True, 1, 3.0, None
)
@example(
    [Event("power", 40, 20.0), Event("power", 9, 5.0)], Policy(kind="shift", half_printed="again"), True, 5, 3.0, None
)
@example([Event("clock", 20, 38.0), Event("power", 1, 0.0)], Policy(kind="blank"), False, 1, 11.0, None)
@example(
    [Event("power", 30, 40.0), Event("word", 4, 0.0, Rule(kind="shift", half_printed="again")), Event("power", 8, 3.0)],
    Policy(kind="replay", half_printed="finish", only_while_closed=True),
    False,
    5,
    0.0,
    7.0,
)
def test_every_column_is_on_the_paper_or_named_under_any_policy(
    happenings: list[Event],
    policy: Policy,
    carriage: bool,
    columns_per_commit: int,
    knife_mm: float,
    closed_every: float | None,
) -> None:
    knife = Knife(head_to_knife_mm=knife_mm, cuts_per_blade=100)
    profile = carriage_profile(knife=knife) if carriage else line_profile(knife=knife)
    clock = HandClock()
    studio = outage_studio(
        clock, policy, profile=profile, first_column=FIRST, columns=COLUMNS, starts_in_s=1.0, strips_per_turn=48
    )
    studio.closed = () if closed_every is None else closed_hours(clock, closed_every)
    with tempfile.TemporaryDirectory() as folder:
        node = Rig(Path(folder), studio, clock, columns_per_commit)
        node.fetch()
        for number, event in enumerate(happenings):
            live_through(node, event, number)
        node.fetch()
        waited_s = sum(entry.decision.shift_s for entry in node.entries(GapSettled))
        end = max(clock.at, studio.instant(FIRST + COLUMNS) + waited_s)
        node.run_until(end + 5 * COLUMNS * COLUMN_S, fetch_every_s=20 * COLUMN_S)
        node.fetch()
        entries = node.entries()
        words = check_story(node.paper(), studio, entries)
        assert words.keys() == set(range(FIRST, FIRST + COLUMNS))
        assert studio.entries == entries, "the server knows it all"
        check_words(studio, node.entries(GapSettled))
        if all(rule.kind == "blank" and rule.half_printed != "again" for rule in rules_that_held(node, policy)):
            laid = node.paper().laid
            assert len(set((laid["place"] - laid["column"]).tolist())) <= 1, "length is true to time"
        node.stop()


def rules_that_held(node: Rig, policy: Policy) -> list[Rule]:
    """By which gaps were settled; the policy's own where there was none."""
    return [entry.gap.rule(entry.policy) for entry in node.entries(GapSettled)] or [policy]


def check_words(studio: OutageStudio, settled: list[GapSettled]) -> None:
    """Each of a person's words settled at most one gap, and one that was open when it was given."""
    taken = [entry.gap.override for entry in settled if entry.gap.override is not None]
    assert len({word.id for word in taken}) == len(taken)
    for entry in settled:
        assert entry.policy == studio.policy
        if entry.gap.override is not None:
            assert entry.gap.override.given_at <= entry.gap.noticed_at
