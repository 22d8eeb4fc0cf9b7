"""What is kept of a machine's work, against the work made anew: after every kind of event that there is, after whatever
else may be said in any order, and as time passes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import pytest
from django.db import transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from machines.model.profile import Knife
from scheduling.log.events import EVENT_KINDS, Event
from scheduling.log.events.equipment import ProfileChanged
from scheduling.log.store import Append, append
from scheduling.nodes import work_tag
from scheduling.nodes.work_tag import WorkQuery, basis_of, kept_tag, work_and_tag
from tests.scheduling.log.facts import (
    ONE_OF_EACH,
    a_run_on_a_machine,
    at,
    by,
    calibrated,
    hours_set,
    profile,
    run,
    say,
    segments,
)
from tests.scheduling.log.histories import HISTORIES, History

pytestmark = pytest.mark.django_db
QUESTIONS = tuple(WorkQuery("left", timedelta(hours=hours), 60.0) for hours in (5, 24, 168))
# Before the run, as it begins, amid it, in its last turn and after it.
INSTANTS = tuple(at(60.0 * hours) for hours in (-3, 0, 20, 26, 70, 200))
SETTINGS = settings(suppress_health_check=(HealthCheck.function_scoped_fixture,), deadline=None, max_examples=40)

# Where the one of its kind above says what was said before.
OTHERS: tuple[tuple[str, Event], ...] = (
    (
        "profile/carriage",
        ProfileChanged(profile=replace(profile().profile, knife=Knife(head_to_knife_mm=91.0, cuts_per_blade=900))),
    ),
    ("machine/left", calibrated(feed_factor=1.01)),
    ("run/spring", segments(6, 7)),
)

Kept = dict[tuple[WorkQuery, datetime], work_tag._Kept]


def keep_all(instants: Sequence[datetime]) -> Kept:
    """Make the answer to each question at each instant, and take what is kept of it."""
    found: Kept = {}
    for query in QUESTIONS:
        for now in instants:
            work_tag._kept.clear()
            work_and_tag(query, basis_of(query.machine), now)
            found[query, now] = work_tag._kept[query]
    return found


def require_none_stale(kept: Kept, instants: Sequence[datetime]) -> int:
    """Hold what was kept, where it still counts, against what is made now; how often it counted."""
    counted = 0
    for (query, _), one in kept.items():
        basis = basis_of(query.machine)
        for now in instants:
            work_tag._kept.clear()
            work_tag._kept[query] = one
            known = kept_tag(query, basis, now)
            if known is not None:
                assert known == work_and_tag(query, basis, now)[1]
                counted += 1
    return counted


def furnish() -> None:
    a_run_on_a_machine(0, 1, 2, 3, 4, 5)
    say("run/summer", run(nozzle_seed=9, starts_at=at(4 * 24 * 60), ends_at=at(7 * 24 * 60)), segments(0, 1, 2))
    say("venue/boathouse", hours_set())


def test_every_kind_of_event_is_among_them() -> None:
    assert {type(event) for _, event in ONE_OF_EACH} == set(EVENT_KINDS)


@pytest.mark.parametrize(("stream", "event"), ONE_OF_EACH + OTHERS, ids=lambda one: one if isinstance(one, str) else "")
def test_after_each_kind_of_event_nothing_is_stale(stream: str, event: Event) -> None:
    furnish()
    kept = keep_all(INSTANTS)
    assert require_none_stale(kept, INSTANTS) >= len(kept)
    say(stream, event)
    require_none_stale(kept, INSTANTS)


def test_after_all_of_them_one_after_another_nothing_is_stale() -> None:
    furnish()
    counted = 0
    for stream, event in ONE_OF_EACH:
        kept = keep_all(INSTANTS[1:4])
        say(stream, event)
        counted += require_none_stale(kept, INSTANTS[1:4])
    assert counted > 100, "what has nothing to do with the machine leaves what is kept as it is"


@SETTINGS
@given(
    history=HISTORIES,
    hours=st.lists(st.floats(-5.0, 80.0), min_size=1, max_size=4),
)
def test_whatever_is_said_in_any_order_nothing_is_stale(history: History, hours: list[float]) -> None:
    instants = [at(60.0 * one) for one in sorted(hours)]
    with transaction.atomic():
        said = history.appends()
        append([*next(said), Append("profile/carriage", None, (profile(),))], by())
        for minutes, appends in enumerate(said):
            kept = keep_all(instants)
            append(appends, by(minutes))
            require_none_stale(kept, instants)
        transaction.set_rollback(True)


def test_as_time_passes_nothing_is_stale() -> None:
    furnish()
    instants = [at(7.0 * number) for number in range(-40, 1000, 3)]
    kept = keep_all(instants[::25])
    assert require_none_stale(kept, instants) > 3 * len(kept)
