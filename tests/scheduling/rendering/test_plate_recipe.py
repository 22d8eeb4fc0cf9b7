"""A plate is drawn once from the same, whichever run it is for."""

from __future__ import annotations

import ast
import sys
from dataclasses import fields, replace
from datetime import UTC, datetime, timedelta
from importlib.metadata import packages_distributions, version
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from machines import imaging
from machines.imaging.dot_gain import ToneCurve
from machines.imaging.pictures import PICTURE_KINDS, SkyNumbers
from machines.model.profile import Profile
from scheduling.background import extend_plans as extend
from scheduling.background.extend_plans import extend_plans, extend_run
from scheduling.commands.additions import AddMachine, AddSource
from scheduling.log.models import Segment
from scheduling.rendering import plate_recipe, sky_parameters
from scheduling.rendering.plate_recipe import recipe_of
from scheduling.rendering.plate_store import PlateStore
from scheduling.rendering.render import RenderSource, draw_plate, plate_under
from scheduling.rendering.sky_parameters import Turn, sky_numbers, turn_at
from scheduling.sky import cycles
from scheduling.sky.moon import moon_faces
from scheduling.sky.places import Place
from tests.scheduling.house import MOON, NOON, furnish, order, plan
from tests.scheduling.rendering.test_render import CYCLES, LISBON, MACHINE, grey_png, original

WEEK = timedelta(days=8)
LATER = datetime(2026, 12, 2, 7, 0, tzinfo=UTC)
NEXT_YEAR = LATER + timedelta(days=365)


def turn(kind: str, at: datetime = NOON) -> Turn:
    return turn_at(cycles.get(CYCLES.get(kind, "apparent-solar-day")), at)


def recipe(source: RenderSource, profile: Profile, when: Turn, place: Place | None) -> str:
    """Of what is drawn of a turn, seen from a place."""
    return recipe_of(source, profile, sky_numbers(source.picture, when, place))


def other_values(profile: Profile) -> dict[str, Any]:
    """Of each number and choice of a machine, another one."""
    others: dict[str, Any] = {"travel": "left" if profile.travel == "right" else "right"}
    for field in fields(profile):
        value = getattr(profile, field.name)
        if isinstance(value, bool):
            others[field.name] = not value
        elif isinstance(value, int | float):
            others[field.name] = value * 2
    return others


@pytest.mark.parametrize("kind", PICTURE_KINDS)
def test_a_plate_goes_by_nothing_that_is_not_in_its_recipe(kind: str) -> None:
    """Whatever else is said of a machine, what has one recipe is one plate; and what is another plate has another."""
    as_it_is, plate = recipe(original(kind), MACHINE, turn(kind), LISBON), None
    equal, other = [], []
    for name, value in other_values(MACHINE).items():
        try:
            machine = replace(MACHINE, **{name: value})
        except ValueError:
            continue  # no such machine
        (equal if recipe(original(kind), machine, turn(kind), LISBON) == as_it_is else other).append(name)
        if name in equal:
            plate = plate or draw_plate(original(kind), MACHINE, turn(kind), LISBON)
            assert draw_plate(original(kind), machine, turn(kind), LISBON).digest == plate.digest, name
    assert {"travel", "dots_across"} <= set(other)
    assert len(equal) >= 3


def variants() -> dict[str, tuple[RenderSource, Profile, Turn, Place | None]]:
    moon, image, then = original("moon"), original("image"), turn("moon")
    smaller = replace(moon, picture=replace(moon.picture, diameter_mm=14.0))
    curve = ToneCurve(asked=(0.0, 0.5, 1.0), printed=(0.0, 0.7, 1.0))
    return {
        "as it is": (moon, MACHINE, then, LISBON),
        "another picture": (smaller, MACHINE, then, LISBON),
        "other dots": (replace(moon, method="error-diffusion"), MACHINE, then, LISBON),
        "a curve": (replace(moon, curve=curve), MACHINE, then, LISBON),
        "another turn": (moon, MACHINE, turn("moon", LATER), LISBON),
        "another place": (moon, MACHINE, then, Place(-33.9, 151.2)),
        "from nowhere": (moon, MACHINE, then, None),
        "stars": (original("stars"), MACHINE, turn("stars"), LISBON),
        "stars of another turn": (original("stars"), MACHINE, turn("stars", LATER), LISBON),
        "daylight": (original("daylight-map"), MACHINE, turn("daylight-map"), LISBON),
        "daylight of another turn": (original("daylight-map"), MACHINE, turn("daylight-map", LATER), LISBON),
        "a year": (original("year-of-daylight"), MACHINE, turn("year-of-daylight"), LISBON),
        "another year": (original("year-of-daylight"), MACHINE, turn("year-of-daylight", NEXT_YEAR), LISBON),
        "an image": (image, MACHINE, turn("image"), LISBON),
        "another file": (replace(image, upload=grey_png(90)), MACHINE, turn("image"), LISBON),
    }


def test_what_is_drawn_otherwise_has_another_recipe() -> None:
    assert len({recipe(*one) for one in variants().values()}) == len(variants())


@pytest.mark.parametrize("number", [field.name for field in fields(SkyNumbers) if field.name != "instant"])
def test_each_number_of_the_sky_is_in_the_recipe_to_its_last_bit(number: str) -> None:
    every = {kind: sky_numbers(original(kind).picture, turn(kind), LISBON) for kind in PICTURE_KINDS}
    having = [kind for kind, sky in every.items() if getattr(sky, number) is not None]
    assert having, "something is drawn by it"
    for kind in having:
        value = getattr(every[kind], number)
        other = replace(every[kind], **{number: np.nextafter(value, np.inf)})
        assert recipe_of(original(kind), MACHINE, other) != recipe_of(original(kind), MACHINE, every[kind])


def test_a_picture_that_never_changes_has_one_recipe_at_every_time_and_place() -> None:
    here = recipe(original("map"), MACHINE, turn("map"), LISBON)
    assert recipe(original("map"), MACHINE, turn("map", LATER), Place(-33.9, 151.2)) == here


@pytest.mark.parametrize("of", ["dayroll", "numpy", "pillow", "pyproj", "proj"])
def test_another_release_draws_anew(monkeypatch: pytest.MonkeyPatch, of: str) -> None:
    """Of this program, or of what it draws with: two may differ by a dot."""
    before = recipe(original("map"), MACHINE, turn("map"), LISBON)
    if of == "proj":
        monkeypatch.setattr(plate_recipe, "proj_version_str", "7.0.0")
    else:
        monkeypatch.setattr(plate_recipe, "version", lambda name: "7.0.0" if name == of else version(name))
    plate_recipe._releases.cache_clear()
    try:
        assert recipe(original("map"), MACHINE, turn("map"), LISBON) != before
    finally:
        plate_recipe._releases.cache_clear()


def test_each_library_that_decides_the_dots_is_named() -> None:
    """What the drawing room imports that is neither ours nor of the language itself."""
    found: set[str] = set()
    for file in Path(imaging.__file__).parent.rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text())):
            if isinstance(node, ast.Import):
                found |= {alias.name.partition(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom):
                found.add((node.module or "").partition(".")[0])
    outside = found - sys.stdlib_module_names - {"machines"}
    names = {name for module in outside for name in packages_distributions()[module]}
    assert {name.lower() for name in names} | {"dayroll"} == set(plate_recipe.DRAWN_WITH)


@pytest.mark.django_db
@pytest.mark.parametrize("picture", ["a map", "the Moon"])
def test_machines_of_one_model_share_what_is_drawn(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, picture: str
) -> None:
    if picture == "the Moon":
        furnish(MOON)
    else:
        furnish()
    order(AddMachine, id="two", name="Two", venue="shed", profile="small")
    ends_at = (NOON + timedelta(days=2)).isoformat()
    said = {"ends_at": ends_at} | ({"cycle": "lunar-day"} if picture == "the Moon" else {})
    plan(**said)
    plan(id="second", machine="two", **said)
    drawn: list[str] = []

    def counted(*given: Any) -> Any:
        plate = plate_under(*given)
        drawn.append(plate.digest)
        return plate

    monkeypatch.setattr(extend, "plate_under", counted)
    extend_plans(NOON, WEEK, PlateStore(tmp_path))
    first, second = (
        set(Segment.objects.filter(run_id=run).values_list("plate", flat=True)) for run in ("first", "second")
    )
    assert first == second == set(drawn)
    assert len(drawn) == len(set(drawn))


@pytest.mark.django_db
def test_a_plate_that_somebody_else_draws_is_waited_for_by_no_one_and_drawn_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two drawers begin with two runs of one picture: the second leaves the plate to the first, and has it the next
    time. A run of another picture is planned meanwhile."""
    furnish(MOON)
    order(AddSource, id="land", name="Land", picture={"kind": "map", "data": "land-110m"})
    for machine in ("two", "three"):
        order(AddMachine, id=machine, name=machine, venue="shed", profile="small")
    said = {"cycle": "lunar-day", "ends_at": (NOON + timedelta(days=2)).isoformat()}
    plan(**said)
    plan(id="second", machine="two", **said)
    plan(id="third", machine="three", source="land", ends_at=said["ends_at"])
    store, drawn, others = PlateStore(tmp_path), [], []

    def other_drawer() -> None:
        others.append([extend_run(run, NOON, WEEK, store) for run in ("second", "third")])

    def beside_another(*given: Any) -> Any:
        if not others:
            others.append([])
            other_drawer()
        drawn.append(plate_under(*given).digest)
        return plate_under(*given)

    monkeypatch.setattr(extend, "plate_under", beside_another)
    assert extend_run("first", NOON, WEEK, store)
    assert others[1][0] is None and others[1][1] > 0
    assert extend_run("second", NOON, WEEK, store)
    assert len(drawn) == len(set(drawn)) == len(set(Segment.objects.values_list("plate", flat=True)))


@pytest.mark.django_db
def test_of_a_plate_that_cannot_be_drawn_nothing_stays_claimed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    furnish(MOON)
    plan(cycle="lunar-day", ends_at=(NOON + timedelta(days=2)).isoformat())

    def full(*given: Any) -> Any:
        raise OSError("the disk is full")

    with monkeypatch.context() as patched, pytest.raises(OSError, match="full"):
        patched.setattr(extend, "plate_under", full)
        extend_run("first", NOON, WEEK, PlateStore(tmp_path))
    assert extend_run("first", NOON, WEEK, PlateStore(tmp_path))


@pytest.mark.django_db
def test_the_sky_of_a_turn_is_computed_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    furnish(MOON)
    plan(cycle="lunar-day", ends_at=(NOON + timedelta(days=2)).isoformat())
    asked: list[Any] = []
    monkeypatch.setattr(sky_parameters, "moon_faces", lambda *given: asked.append(given) or moon_faces(*given))
    extend_plans(NOON, WEEK, PlateStore(tmp_path))
    assert len(asked) == Segment.objects.values("plate").distinct().count() >= 3


def test_a_plate_that_is_lost_is_drawn_again_and_a_memory_that_is_wrong_is_none(tmp_path: Path) -> None:
    store, named = PlateStore(tmp_path), recipe(original("map"), MACHINE, turn("map"), LISBON)
    assert store.drawn(named) is None
    plate = draw_plate(original("map"), MACHINE, turn("map"), LISBON)
    assert store.put(plate, named) == plate.digest == store.drawn(named)
    (png,) = tmp_path.glob("*/*.png")
    png.write_bytes(png.read_bytes()[:50])
    assert store.drawn(named) is None
    store.put(plate, named)
    (memory,) = (path for path in (tmp_path / "recipes").rglob("*") if path.is_file())
    for wrong in (b"", plate.digest[:9].encode(), b"\xff" * 64):
        memory.write_bytes(wrong)
        assert store.drawn(named) is None
    assert np.array_equal(store.get(plate.digest).dots, plate.dots)
