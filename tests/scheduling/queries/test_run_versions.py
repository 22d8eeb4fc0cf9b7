"""A run is printed by the versions of model and source that it was planned with, whatever is said of either since."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from django.db import transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from machines.chance import SYSTEM
from machines.errors import InputError
from machines.model.calibration import Calibration
from machines.model.profile import CarriageHead, Profile
from machines.protocol.messages import Work
from scheduling.background.extend_plans import extend_plans
from scheduling.background.redraw_plates import redraw_lost
from scheduling.commands import handlers, machines, profiles, sources
from scheduling.commands.changes import make
from scheduling.commands.enrol_node import enrol
from scheduling.log import models
from scheduling.log.events.equipment import MachineChanged, ProfileChanged, SourceChanged
from scheduling.log.events.plans import RunPlanned, RunWithdrawn
from scheduling.log.models import Machine, ProfileVersion, Run, Segment, Source
from scheduling.log.rebuilding.rebuild import rebuild
from scheduling.log.store import Append, append, read, stream_version
from scheduling.nodes.dispatch import work_for
from scheduling.nodes.reports import take
from scheduling.nodes.work_tag import basis_of
from scheduling.paper.printed_paper import length_at
from scheduling.paper.printed_proof import paper_proof
from scheduling.paper.proof import Faults
from scheduling.queries.calibration import calibrate
from scheduling.queries.machine_context import machine_context
from scheduling.queries.run_versions import run_profile, run_source
from scheduling.rendering.plate_store import PlateStore
from scheduling.supplies.forecast import forecast
from tests.scheduling.house import (
    NOON,
    PROFILE,
    STARS,
    batch,
    by,
    furnish,
    long_after,
    order,
    plan,
    printed,
    ready,
    small_profile,
    started,
)

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)


def revise(**numbers: Any) -> None:
    """Another version of the model ``small``."""
    row = models.Profile.objects.get(id="small")
    wanted = replace(profiles.as_ordered(row), profile=replace(profiles.as_ordered(row).profile, **numbers))
    make(profiles.change_profile(row, wanted, NOON, stream_version("profile/small")), None, by(), SYSTEM, accepted=True)


def redraw_as(**numbers: Any) -> None:
    """Another version of the source ``picture``."""
    row = Source.objects.get(id="picture")
    was: Any = sources.as_ordered(row).picture
    wanted = replace(sources.as_ordered(row), picture=replace(was, **numbers))
    version = stream_version("source/picture")
    make(sources.change_source(row, wanted, NOON, version), None, by(), SYSTEM, accepted=True)


def become(profile: str) -> None:
    """Machine ``one`` is of another model."""
    row = Machine.objects.get(id="one")
    wanted = replace(machines.as_ordered(row), profile=profile)
    make(machines.change_machine(row, wanted, NOON, stream_version("machine/one")), None, by(), SYSTEM, accepted=True)


def then(id: str = "second", **fields: Any) -> None:
    """A run of the day after the first."""
    begins = NOON + timedelta(hours=30)
    plan(id=id, starts_at=begins.isoformat(), ends_at=(begins + DAY).isoformat(), **fields)


def work(at: Any = NOON) -> Work:
    return work_for("one", at, DAY, 60.0)


def withdraw(run: str) -> None:
    append([Append(f"run/{run}", stream_version(f"run/{run}"), [RunWithdrawn()])], by())


def rebuilt_equal() -> bool:
    return all(one.equal for one in rebuild())


def test_a_board_gets_its_runs_version_and_then_the_next_runs(tmp_path: Path) -> None:
    ready(tmp_path)
    before = basis_of("one")
    revise(columns_per_burst=8, highest_mm_per_hour=15.0, clock_tolerance_dots=0.25, slip_threshold_mm=0.3)
    assert basis_of("one") != before
    found, was = work().profile, small_profile()
    assert found == replace(was, slip_threshold_mm=0.3)
    then()
    extend_plans(NOON, timedelta(days=9), PlateStore(tmp_path))
    withdraw("first")
    found = work(NOON + DAY)
    assert found.run is not None and found.run.id == "second" and found.profile.columns_per_burst == 8
    withdraw("second")
    assert work().profile == machine_context(Machine.objects.get(), NOON).model


def test_it_is_printed_by_the_source_that_it_was_planned_with(tmp_path: Path) -> None:
    furnish({"kind": "moon", "diameter_mm": 15.0})
    plan()
    whole, plates = PlateStore(tmp_path / "whole"), PlateStore(tmp_path / "plates")
    extend_plans(NOON, timedelta(hours=1), plates)
    was = run_source(Run.objects.get(id="first")).picture
    redraw_as(diameter_mm=5.0)
    then()
    extend_plans(NOON, timedelta(days=9), plates)
    assert run_source(Run.objects.get(id="first")).picture == was != run_source(Run.objects.get(id="second")).picture
    assert Source.objects.get().picture["diameter_mm"] == 5.0
    drawn = set(Segment.objects.filter(run_id="first").values_list("plate", flat=True))
    assert len(drawn) > 1 and not drawn & set(Segment.objects.filter(run_id="second").values_list("plate", flat=True))
    assert redraw_lost(whole, printed_too=True) == len(set(Segment.objects.values_list("plate", flat=True)))


def test_ink_is_counted_by_the_run_and_parts_by_the_machine(tmp_path: Path) -> None:
    plates = ready(tmp_path)
    machine = Machine.objects.get()
    before = forecast(machine_context(machine, NOON), NOON, plates)
    was = small_profile()
    assert isinstance(was.head, CarriageHead)
    revise(head=replace(was.head, drop_pl=20.0), media=replace(was.media, roll_m=5.0))
    after = forecast(machine_context(machine, NOON), NOON, plates)
    assert before.run is not None and after.run is not None
    assert after.run.to_come.picture_ml == before.run.to_come.picture_ml
    assert (before.roll.left_m, after.roll.left_m) == (10.0, 5.0)
    withdraw("first")
    then()
    extend_plans(NOON, timedelta(days=9), plates)
    second = forecast(machine_context(machine, NOON), NOON, plates).run
    assert second is not None and second.id == "second"
    twice = second.per_turn.picture_ml
    assert twice and before.run.per_turn.picture_ml == pytest.approx(twice / 2, rel=0.2)


def test_ink_that_was_used_and_dots_that_lie_there_stay_what_they_were(tmp_path: Path) -> None:
    furnish(head=PROFILE["head"] | {"cartridge_ml": 40.0})
    plan()
    plates = PlateStore(tmp_path)
    extend_plans(NOON, timedelta(days=9), plates)
    enrol("one", by())
    first = Segment.objects.order_by("number")[0]
    columns = first.end_column - first.first_column
    take("one", batch(started(), printed(2, first.number, first.first_column, first.end_column, columns)), long_after())
    machine = Machine.objects.get()

    def used_ml() -> float:
        part = forecast(machine_context(machine, NOON), NOON, plates).cartridge
        assert part is not None
        return part.used_ml

    def laid() -> NDArray[np.bool_]:
        length = length_at(machine, None, columns)
        assert length is not None
        return paper_proof(length, plates, Faults(dead=(3,)), None).dots

    before, dots, head = used_ml(), laid(), machine_context(machine, NOON).model.head
    assert isinstance(head, CarriageHead) and before > 0.0
    revise(head=replace(head, drop_pl=25.0, passes=1))
    assert used_ml() == before
    assert np.array_equal(laid(), dots)
    Run.objects.update(profile_version=2)
    assert used_ml() == pytest.approx(before * 2.5 / 2)
    assert not np.array_equal(laid(), dots)


def test_what_was_measured_fits_each_run_that_is_to_come(tmp_path: Path) -> None:
    ready(tmp_path)
    head = small_profile().head
    assert isinstance(head, CarriageHead)
    revise(head=replace(head, passes=1))
    seven = Calibration(dead_nozzles=(0, 1, 2, 3, 4, 5, 6))
    with pytest.raises(InputError, match="1 nozzles are left for 2 passes"):
        calibrate("one", seven, by())
    withdraw("first")
    calibrate("one", seven, by())


def test_a_machine_becomes_of_another_model_and_its_run_goes_on(tmp_path: Path) -> None:
    ready(tmp_path)
    order(handlers.AddProfile, id="fast", profile=PROFILE | {"name": "fast", "highest_mm_per_hour": 40.0})
    order(handlers.AddProfile, id="long", profile=PROFILE | {"mm_per_turn": 240.0})
    with pytest.raises(InputError, match="measured by other mm_per_turn"):
        become("long")
    become("fast")
    assert (work().profile.highest_mm_per_hour, work().profile.name) == (20.0, "fast")
    then()
    assert (Run.objects.get(id="second").profile, Run.objects.get(id="second").profile_version) == ("fast", 1)
    context = machine_context(Machine.objects.get(), NOON)
    speeds = [context.model_of(run).highest_mm_per_hour for run in Run.objects.order_by("starts_at")]
    assert speeds == [20.0, 40.0]
    assert set(context.profiles_otherwise({"first"})) == {"first"}
    assert rebuilt_equal()


def test_what_was_said_before_there_were_versions_is_the_first(tmp_path: Path) -> None:
    """By events that name none, in the order in which they could be said then."""
    furnish()
    put_right = replace(small_profile(), columns_per_burst=8)
    append([Append("profile/small", 1, [ProfileChanged(profile=put_right)])], by())
    order(handlers.AddProfile, id="other", profile=PROFILE | {"columns_per_burst": 2})
    changed = MachineChanged(name="One", venue="shed", profile="other")
    append([Append("machine/one", 1, [changed])], by())
    append([Append("source/picture", 1, [SourceChanged(name="Stars", picture=STARS | {"north_degrees": 30.0})])], by())
    plan(id="draft")
    (fact,) = read(streams=["run/draft"])
    assert isinstance(fact.event, RunPlanned)
    old = replace(fact.event, profile=None, profile_version=1, source_version=1)
    withdraw("draft")
    append([Append("run/first", 0, [old])], by())
    run = Run.objects.get(id="first")
    assert run_profile(run).columns_per_burst == 2
    order(handlers.AddProfile, id="third", profile=PROFILE | {"columns_per_burst": 3})
    become("third")
    assert run_profile(run).columns_per_burst == 2
    redraw_as(north_degrees=20.0)
    assert run_source(run).picture["north_degrees"] == 30.0
    assert [(one.number, one.data["columns_per_burst"]) for one in ProfileVersion.objects.filter(profile="small")] == [
        (1, 8)
    ]
    assert rebuilt_equal()


def test_another_name_is_no_other_version() -> None:
    furnish()
    revise(name="Small one")
    assert (models.Profile.objects.get().version, models.Profile.objects.get().name) == (1, "Small one")
    revise(columns_per_burst=5)
    revise(name="Small", columns_per_burst=6)
    told = ProfileVersion.objects.order_by("number").values_list("number", "data")
    assert [(number, Profile.from_json(data).columns_per_burst) for number, data in told] == [(1, 4), (2, 5), (3, 6)]
    assert rebuilt_equal()


# What is said of the model, by when.
NUMBERS: dict[str, Callable[[int], dict[str, Any]]] = {
    "cadence": lambda step: {"columns_per_burst": step + 4},
    "speed": lambda step: {"highest_mm_per_hour": 20.0 + step},
    "roll": lambda step: {"media": replace(small_profile().media, roll_m=10.0 + step)},
    "name": lambda step: {"name": f"Small {step}"},
}
SAID = st.sampled_from([*NUMBERS, "picture", "plan", "withdraw", "model"])


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(said=st.lists(SAID, min_size=1, max_size=8))
def test_whatever_is_said_each_run_keeps_its_own(said: list[str]) -> None:
    with transaction.atomic():
        _say_all(said)
        assert rebuilt_equal()
        transaction.set_rollback(True)


def _say_all(said: list[str]) -> None:
    furnish()
    order(handlers.AddProfile, id="other", profile=PROFILE | {"clock_tolerance_dots": 0.25})
    planned: dict[str, tuple[Any, Any]] = {}
    for step, what in enumerate(said, 1):
        if what == "plan":
            begins = NOON + step * DAY
            plan(id=f"run-{step}", starts_at=begins.isoformat(), ends_at=(begins + DAY / 2).isoformat())
            planned[f"run-{step}"] = _printed_by(f"run-{step}")
        elif what == "withdraw" and planned:
            if not Run.objects.get(id=min(planned)).withdrawn_at:
                withdraw(min(planned))
        elif what == "picture":
            redraw_as(north_degrees=20.0 + step)
        elif what == "model":
            become("small" if Machine.objects.get().profile_id == "other" else "other")
        elif what in NUMBERS:
            revise(**NUMBERS[what](step))
        assert {run: _printed_by(run) for run in planned} == planned
        newest = machine_context(Machine.objects.get(), NOON).model
        assert all(run_profile(run).media == newest.media for run in Run.objects.all())


def _printed_by(id: str) -> tuple[Any, Any]:
    """What of a run no word on its model or picture changes."""
    run = Run.objects.get(id=id)
    profile = run_profile(run)
    return [getattr(profile, name) for name in ("columns_per_burst", "highest_mm_per_hour", "clock_tolerance_dots")], (
        run_source(run).picture
    )
