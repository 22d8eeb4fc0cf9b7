"""Proofs show the dots that will be printed, in their places, with what goes wrong."""

from __future__ import annotations

import io
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from PIL import Image

from machines.errors import InputError
from machines.imaging.pictures import PICTURE_KINDS, LandPicture, StarBelt, from_json
from machines.imaging.plate import Plate
from machines.model.head import lost_share
from machines.model.profile import LineHead, Profile
from machines.serialization import structure
from scheduling.paper import proof as proofs
from scheduling.paper.proof import Faults, phase_ruler, proof, turn_columns, usual_cycle
from scheduling.rendering.render import RenderSource, draw_plate
from scheduling.rendering.sky_parameters import turn_of
from scheduling.sky import cycles
from scheduling.sky.places import Place
from tests.scheduling.house import PROFILE
from tests.scheduling.rendering.test_render import original

MACHINE = structure(PROFILE, Profile)
LINE = replace(MACHINE, head=LineHead(dot_current_a=0.03, supply_current_a=2.0, strobe_s=0.002))
LISBON = Place(38.7, -9.1)
SOLAR = cycles.get("apparent-solar-day")
# Turn n of the apparent solar day is n days after 2000-01-01.
TURN = (datetime(2026, 10, 24, tzinfo=UTC) - datetime(2000, 1, 1, tzinfo=UTC)).days
BLACK = RenderSource(picture=from_json({"kind": "image"}), upload=original("image").upload, method="line-art")


@pytest.mark.parametrize("kind", PICTURE_KINDS)
def test_a_turn_of_each_kind_is_its_plate(kind: str) -> None:
    cycle, what = cycles.get(usual_cycle(original(kind).picture)), original(kind)
    number = 26 if kind == "year-of-daylight" else TURN
    made = proof(what, MACHINE, cycle, turn_columns(MACHINE, number), place=LISBON)
    plate = draw_plate(what, MACHINE, turn_of(cycle, number), LISBON)
    assert np.array_equal(made.dots, plate.dots)
    assert np.array_equal(Plate.from_png(made.png("true")).dots, plate.dots[:, ::-1])  # seen on paper that moves right
    assert Image.open(io.BytesIO(made.png("rulers"))).width == 1600


def test_a_length_over_several_turns_takes_each_turn_from_its_own_plate() -> None:
    lunar, what = cycles.get("lunar-day"), original("moon")
    start = turn_columns(MACHINE, TURN).start + 200
    made = proof(what, MACHINE, lunar, range(start, start + 400), place=LISBON)
    turns = [draw_plate(what, MACHINE, turn_of(lunar, TURN + n), LISBON).dots for n in range(3)]
    assert np.array_equal(made.dots, np.concatenate([turns[0][:, 200:], turns[1], turns[2][:, :120]], axis=1))
    assert not np.array_equal(turns[0], turns[1])


def test_time_and_longitude_stand_at_their_columns() -> None:
    made = proof(original("map"), MACHINE, SOLAR, turn_columns(MACHINE, TURN), zone=ZoneInfo("Europe/Lisbon"))
    (time,), (mm, longitude) = made.above, made.below
    assert (time.title, mm.title, longitude.title) == ("Europe/Lisbon", "mm", "longitude")
    greenwich = next(mark for mark in longitude.marks if mark.text == "0°")
    assert greenwich.column - made.first == pytest.approx(120)
    # The Sun was over Greenwich at 11:44 UTC: the equation of time of late October is 16 minutes (common knowledge).
    noon = next(mark for mark in time.marks if mark.text == "12:00")  # 11:00 UTC, as it was summer in Lisbon
    assert (greenwich.column - noon.column) / 240 * 24 * 60 == pytest.approx(44, abs=2)
    assert [mark.text for mark in mm.marks][:2] == ["0", "10"]


def test_what_the_edge_shows_depends_on_the_cycle_and_the_picture() -> None:
    def title(picture: object, cycle: str) -> str | None:
        ruler = phase_ruler(picture, cycle, MACHINE, 0, 240)  # type: ignore[arg-type]
        return None if ruler is None else ruler.title

    assert title(StarBelt(), "sidereal-day") == "right ascension"
    assert title(LandPicture(), "lunar-day") == "longitude"
    assert title(LandPicture(), "synodic-month") == "longitude"  # of the map; nothing stands over it
    assert title(original("moon").picture, "synodic-month") is None
    assert title(original("moon").picture, "lunar-day") == "longitude"
    assert title(original("year-of-daylight").picture, "apparent-solar-day") is None
    assert {kind: usual_cycle(original(kind).picture) in cycles.CYCLE_NAMES for kind in PICTURE_KINDS} == dict.fromkeys(
        PICTURE_KINDS, True
    )


@pytest.mark.parametrize("picture", [{"kind": "map"}, {"kind": "daylight-map"}])
def test_a_map_with_another_centre_has_its_own_longitude_along_the_edge(picture: dict[str, Any]) -> None:
    centred = {"data": "land-110m", "central_meridian_degrees": 90.0}
    picture |= centred if picture["kind"] == "map" else {"map": centred}
    made = proof(RenderSource(picture=from_json(picture)), MACHINE, SOLAR, turn_columns(MACHINE, TURN))
    longitude = made.below[1]
    at = {mark.text: mark.column - made.first for mark in longitude.marks}
    assert (longitude.title, at["90° E"], at["0°"], at["180°"]) == ("longitude", 120, 180, 60)


def test_dead_nozzles_cost_what_the_closed_form_says() -> None:
    """The share of dots all of whose nozzles are dead; machines.model.head.lost_share is checked against CHECKS' closed
    form beside its own tests."""
    long = replace(MACHINE, dots_across=400, columns_per_turn=2000)
    whole = proof(BLACK, long, SOLAR, range(2000), seed=5)
    assert whole.dots.all()
    lost = 1.0 - proof(BLACK, long, SOLAR, range(2000), seed=5, faults=Faults(dead=(1, 4, 6))).dots.mean()
    assert lost == pytest.approx(lost_share(8, 2, 3), rel=0.03)
    assert proof(BLACK, long, SOLAR, range(2000), seed=5, faults=Faults(dead=(3,))).dots.all()  # two passes


def test_known_dead_nozzles_are_left_out_and_those_that_die_next_cost_more() -> None:
    """Of eight nozzles two are left out; of the six three die unnoticed, and each dot is set by two: C(3, 2) / C(6, 2)
    is a fifth."""
    long = replace(MACHINE, dots_across=400, columns_per_turn=2000)
    known = proof(BLACK, long, SOLAR, range(2000), known_dead=(1, 4))
    assert known.dots.all() and known.lost == "left out 1, 4: 0.00% of dots lost"
    worse = proof(BLACK, long, SOLAR, range(2000), faults=Faults(dead=(4, 0, 6, 7)), known_dead=(1, 4))
    assert worse.lost == "left out 1, 4; dead unnoticed 0, 6, 7: 20.00% of dots lost"
    assert 1.0 - worse.dots.mean() == pytest.approx(0.2, rel=0.03)
    assert proof(BLACK, long, SOLAR, range(2000)).lost is None


def test_what_is_lost_is_said_along_the_edge() -> None:
    well, ill = (proof(BLACK, MACHINE, SOLAR, range(240), faults=Faults(dead=dead)) for dead in ((), (3,)))
    heights = [Image.open(io.BytesIO(made.png("rulers"))).height for made in (well, ill)]
    assert heights[1] - heights[0] == 34
    assert ill.slipped(0.1).lost == ill.lost == "dead unnoticed 3: 0.00% of dots lost"


def test_a_dead_element_of_a_line_head_leaves_its_row_blank() -> None:
    made = proof(BLACK, LINE, SOLAR, range(240), faults=Faults(dead=(0, 39)))
    assert not made.dots[[0, 39]].any() and made.dots[1:39].all()
    assert made.lost == "dead unnoticed 0, 39: 5.00% of dots lost"


@pytest.mark.parametrize(("profile", "dead"), [(MACHINE, 8), (LINE, 40), (MACHINE, -1)])
def test_what_is_not_there_cannot_be_dead(profile: Profile, dead: int) -> None:
    with pytest.raises(InputError, match=f"there is no .* {dead}"):
        proof(BLACK, profile, SOLAR, range(240), faults=Faults(dead=(dead,)))


def test_slip_shortens_the_paper_and_moves_what_stands_along_it() -> None:
    columns = turn_columns(MACHINE, TURN)
    full = proof(original("map"), MACHINE, SOLAR, columns, strips_per_turn=4)
    short = full.slipped(0.1)
    assert short.dots.shape[1] == pytest.approx(0.9 * 240, abs=1)
    assert short.cuts == tuple(columns.start + 0.9 * place for place in (60, 120, 180))
    assert short.below[1].marks[3].column - short.first == pytest.approx(
        0.9 * (full.below[1].marks[3].column - full.first)
    )
    assert max(float(mark.text) for mark in short.below[0].marks) <= 0.9 * 120  # millimetres of paper
    assert full.slipped(0.0) is full
    assert full.slipped(-0.1).dots.shape[1] > 240


@pytest.mark.parametrize("slip", [0.51, -0.6, 1.0])
def test_a_slip_that_is_no_slip_is_refused(slip: float) -> None:
    with pytest.raises(InputError, match="slip"):
        Faults(slip=slip)


def test_a_proof_that_would_take_for_ever_is_refused() -> None:
    with pytest.raises(InputError, match="80,000,040 dots are too many"):
        proof(BLACK, MACHINE, SOLAR, range(2_000_001))


def test_the_largest_proof_is_one_of_eighty_million_dots() -> None:
    proofs.require_size(MACHINE, 2_000_000)
    with pytest.raises(InputError, match="at most 80,000,000"):
        proofs.require_size(MACHINE, 2_000_001)


@pytest.mark.parametrize(("columns", "width"), [(240, 1600), (32, 1600), (24, 1200), (1, 320)])
def test_a_short_length_of_wide_paper_is_shown_narrower(columns: int, width: int) -> None:
    made = proof(BLACK, MACHINE, SOLAR, range(columns))
    image = Image.open(io.BytesIO(made.png("rulers")))
    assert image.width == width
    assert columns == 1 or image.height <= 2000 + 4 * 34
    assert all(len(ruler.marks) <= width // 100 + 1 for ruler in (*made.above, *made.below))
