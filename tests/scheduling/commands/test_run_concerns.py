"""What a run is warned of before it is planned, each cause once."""

from __future__ import annotations

import io
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from machines.errors import InputError
from machines.imaging.pictures import LandPicture
from machines.model.profile import Profile
from machines.serialization import structure
from scheduling.background.extend_plans import extend_plans
from scheduling.commands import handlers
from scheduling.commands.enrol_node import enrol
from scheduling.commands.plan_run import PlanRun
from scheduling.commands.preview_run import check_run
from scheduling.log.models import Run
from scheduling.nodes.reports import take
from scheduling.paper.proof import proof
from scheduling.planning.opening_hours import Hours, Week
from scheduling.rendering.plate_store import PlateStore
from scheduling.rendering.render import RenderSource
from scheduling.rendering.upload_store import UploadStore
from scheduling.sky import cycles
from tests.scheduling.house import NOON, PROFILE, batch, by, furnish, printed, set_hours

pytestmark = pytest.mark.django_db
MAP = {"kind": "map", "data": "land-110m"}


def command(**fields: Any) -> PlanRun:
    """A run of two days of whole turns of a plain period, from noon; nothing of it is warned of but the house."""
    asked = {
        "id": "first",
        "machine": "one",
        "source": "picture",
        "cycle": "period",
        "cycle_options": {"seconds": 86400, "epoch": NOON.isoformat()},
        "starts_at": NOON.isoformat(),
        "ends_at": (NOON + timedelta(days=2)).isoformat(),
        "policy": {"kind": "skip"},
        "strips_per_turn": 12,
    }
    return structure(asked | fields, PlanRun)


def solar(**fields: Any) -> PlanRun:
    return command(cycle="apparent-solar-day", cycle_options={}, **fields)


def warned(asked: PlanRun, uploads: UploadStore | None = None) -> dict[str, tuple[str, str]]:
    """Kind to field and words; a kind that came twice would be a cause told twice."""
    found = check_run(asked, NOON, uploads).warnings
    assert len({one.kind for one in found}) == len(found)
    return {one.kind: (one.field, one.in_words) for one in found}


def house(picture: dict[str, Any] | None = None, **profile: Any) -> None:
    """Furnished, with hours and a board, so that only the run is warned of."""
    furnish(picture, **profile)
    set_hours("shed", Hours(week=Week()), by())
    enrol("one", by())


def test_a_house_that_is_ready_and_a_run_of_whole_turns_are_warned_of_nothing() -> None:
    house()
    assert warned(command()) == {}


def test_a_machine_without_a_board_and_a_venue_without_hours() -> None:
    furnish()
    told = warned(command())
    assert set(told) == {"no-board", "hours-missing"}
    assert (told["no-board"][0], "no board is enrolled at One" in told["no-board"][1]) == ("machine", True)
    assert (told["hours-missing"][0], "set its hours" in told["hours-missing"][1]) == ("machine", True)


@pytest.mark.parametrize(("before_s", "refused"), [(59, False), (61, True)])
def test_a_run_that_begins_in_the_past_has_to_be_asked_for(before_s: int, refused: bool) -> None:
    """What was to begin now has begun by the time that it is read."""
    house()
    asked = solar(starts_at=(NOON - timedelta(seconds=before_s)).isoformat(), strips_per_turn=0)
    for attempt in (lambda: check_run(asked, NOON, None), lambda: handlers.handle(asked, by())):
        if refused:
            with pytest.raises(InputError) as caught:
                attempt()
            assert (caught.value.field, "begins_in_the_past" in caught.value.remedy) == ("starts_at", True)
        else:
            attempt()
    assert Run.objects.exists() is not refused


def test_asked_for_it_is_planned_and_says_so() -> None:
    house()
    asked = solar(starts_at=(NOON - timedelta(hours=3)).isoformat(), strips_per_turn=0, begins_in_the_past=True)
    assert warned(asked)["begins-in-the-past"] == (
        "starts_at",
        "it begins in the past, 2026-10-24 10:00 (Europe/Lisbon): what is over by then is settled as missed",
    )
    handlers.handle(asked, by())
    assert Run.objects.get().starts_at == NOON - timedelta(hours=3)


def test_a_run_where_one_is_printed_that_the_server_forgot() -> None:
    house()
    told = replace(printed(1, 3, 720, 725, 5), run="forgotten")
    take("one", batch(told), by(at=NOON + timedelta(hours=3)))
    assert warned(command())["run-not-known"] == (
        "id",
        "its board has told of forgotten, which is not known here: if this is that run, plan it under that id, or what"
        " lies on the paper counts as missed",
    )
    assert "run-not-known" not in warned(command(id="forgotten"))
    begins, ends = NOON + timedelta(days=1), NOON + timedelta(days=3)
    assert "run-not-known" not in warned(command(starts_at=begins.isoformat(), ends_at=ends.isoformat()))


@pytest.mark.parametrize("travel", ["right", "left"])
def test_a_map_on_paper_that_moves_left_comes_out_mirror_wise(travel: str) -> None:
    """At the equator 20 degrees east is Africa and 20 west is sea; on a map that is none of a mirror, east is right."""
    profile = structure(PROFILE | {"travel": travel}, Profile)
    made = proof(
        RenderSource(picture=LandPicture(data="land-110m")), profile, cycles.get("apparent-solar-day"), range(240)
    )
    seen = np.asarray(Image.open(io.BytesIO(made.png("true"))).convert("L")) < 128
    right, left = (seen[18:22, 120 + side - 2 : 120 + side + 3].mean() for side in (240 * 20 // 360, -240 * 20 // 360))
    assert (right > 0.9 and left < 0.1) if travel == "right" else (left > 0.9 and right < 0.1)


@pytest.mark.parametrize(
    ("picture", "travel", "words"),
    [
        (MAP, "left", "east on the left"),
        ({"kind": "daylight-map", "map": {"data": "land-110m"}}, "left", "east on the left"),
        ({"kind": "stars"}, "left", "globe of the sky"),
        ({"kind": "moon", "diameter_mm": 15.0}, "left", ""),
        (MAP, "right", ""),
    ],
)
def test_what_comes_out_mirror_wise_is_told(picture: dict[str, Any], travel: str, words: str) -> None:
    house(picture, travel=travel)
    told = warned(solar(strips_per_turn=0))
    assert set(told) == ({"mirrored"} if words else set())
    assert not words or (told["mirrored"][0] == "machine" and words in told["mirrored"][1])


@pytest.mark.parametrize(
    ("cycle", "meridian", "field"),
    [
        ("apparent-solar-day", 0.0, None),
        ("mean-solar-day", 360.0, None),
        ("lunar-day", 0.0, None),
        ("sidereal-day", 0.0, "cycle"),
        ("tropical-year", 0.0, "cycle"),
        ("apparent-solar-day", 30.0, "source"),
        ("lunar-day", -90.0, "source"),
    ],
)
def test_a_map_off_the_sun_is_told(cycle: str, meridian: float, field: str | None) -> None:
    house(MAP | {"central_meridian_degrees": meridian})
    asked = replace(solar(strips_per_turn=0), cycle=cycle, ends_at=NOON + timedelta(days=9))
    found = warned(asked).get("off-the-sun")
    assert (None if found is None else found[0]) == field


@pytest.mark.parametrize(("closed", "shows"), [(False, True), (True, False)])
def test_the_seam_of_a_picture_of_ones_own_is_told(tmp_path: Path, closed: bool, shows: bool) -> None:
    """A ramp from white to black ends as it does not begin; one that goes back closes by itself."""
    furnish()
    set_hours("shed", Hours(week=Week()), by())
    enrol("one", by())
    ramp = np.linspace(0, 255, 240).astype(np.uint8)
    row = np.concatenate([ramp[::2], ramp[::-2]]) if closed else ramp
    file = io.BytesIO()
    Image.fromarray(np.tile(row, (40, 1))).save(file, "PNG")
    uploads = UploadStore(tmp_path)
    fields = {"id": "own", "name": "Own", "picture": {"kind": "image"}, "upload": uploads.put([file.getvalue()]).digest}
    handlers.handle(structure(fields, handlers.AddSource), by(), uploads)
    told = warned(command(source="own"), uploads)
    assert set(told) == ({"seam"} if shows else set())
    assert not shows or (told["seam"][0] == "source" and "blend_mm" in told["seam"][1])


def test_doubt_of_the_earths_rotation_is_told_from_the_day_on_which_it_passes_a_tenth_of_a_dot() -> None:
    """Dots of 6 s: a tenth is 0.6 s, which a prediction reaches some four years after the last measurement."""
    house(columns_per_turn=14_400, mm_per_turn=7200.0, highest_mm_per_hour=1000.0)
    soon = {"strips_per_turn": 0, "ends_at": (NOON + timedelta(days=90)).isoformat()}
    assert "ut1-in-doubt" not in warned(solar(**soon))
    late = {"strips_per_turn": 0, "ends_at": "2036-10-24T12:00:00Z"}
    field, words = warned(solar(**late))["ut1-in-doubt"]
    assert field == "ends_at"
    since = words.removeprefix("from ")[:4]
    assert 2028 <= int(since) <= 2031 and "(Europe/Lisbon)" in words
    assert "ut1-in-doubt" not in warned(command(**late)), "a plain period turns with nothing"


def test_a_run_that_begins_within_a_turn_is_told_where_it_is_cut() -> None:
    house()
    later = {"starts_at": (NOON + timedelta(hours=6)).isoformat()}
    field, words = warned(command(**later))["begins-within-a-turn"]
    assert (field, words.startswith("it begins 25% into a turn")) == ("starts_at", True)
    assert warned(command(**later, strips_per_turn=0)) == {}


def test_a_run_from_the_past_is_planned_from_its_first_column(tmp_path: Path) -> None:
    house()
    handlers.handle(solar(starts_at=(NOON - timedelta(hours=3)).isoformat(), begins_in_the_past=True), by())
    extend_plans(NOON, timedelta(hours=24), PlateStore(tmp_path))
    run = Run.objects.get()
    assert run.planned_to_column > run.first_column + 30
