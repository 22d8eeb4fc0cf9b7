"""`dayroll proof`, `pattern` and `reading`: paper as a PNG, a number to enter, or a sentence saying what is wrong."""

from __future__ import annotations

import io
import json
from pathlib import Path

import numpy as np
import pytest
from django.core.management import CommandError, call_command
from PIL import Image

from machines.imaging import patterns
from machines.imaging.plate import Plate
from scheduling.log.models import BrokenView, Event, Run, Segment
from server import wiring
from server.terminal.management.commands.pattern import PATTERNS
from tests.server.studio import PROFILE, VENUE, Caller

CARRIAGE = {"kind": "carriage", "nozzles": 12, "passes": 3, "drop_pl": 10.0}


def dayroll(*arguments: object) -> str:
    out = io.StringIO()
    call_command(*map(str, arguments), stdout=out)
    return out.getvalue()


def dots(path: Path) -> np.ndarray:
    """As on the plate: paper that moves right shows later columns further left."""
    return Plate.from_png(path.read_bytes()).dots[:, ::-1]


def width(path: Path) -> int:
    return Image.open(io.BytesIO(path.read_bytes()), formats=["PNG"]).width


@pytest.fixture
def out(tmp_path: Path) -> Path:
    return tmp_path / "proof.png"


def test_a_turn_of_a_run_is_the_plate_that_was_planned(furnished: Caller, out: Path) -> None:
    run, plate = Run.objects.get(), wiring.plates().get(Segment.objects.values_list("plate", flat=True)[0])
    said = dayroll("proof", "--run", "spring", "--out", out)
    turn_ends = (run.first_column // 360 + 1) * 360
    assert np.array_equal(dots(out), plate.running(run.first_column, turn_ends))
    length_mm = (turn_ends - run.first_column) / 3
    quantum = "printed 4 minutes (1 degrees, 0.333 mm) at a time"
    assert said == f"{out}: {length_mm:.4g} by 40 mm of paper, {quantum}\n"
    dayroll("proof", "--run", "spring", "--at", "2026-03-21T12:00:00Z", "--out", out)
    assert np.array_equal(dots(out), plate.dots)


def test_the_first_metre_of_a_run_ends_with_the_run(furnished: Caller, out: Path) -> None:
    run, plate = Run.objects.get(), wiring.plates().get(Segment.objects.values_list("plate", flat=True)[0])
    dayroll("proof", "--run", "spring", "--metre", "--out", out)
    assert run.end_column - run.first_column == 1080  # three turns of 120 mm
    assert np.array_equal(dots(out), plate.running(run.first_column, run.end_column))


def test_a_source_on_a_profile(furnished: Caller, out: Path) -> None:
    where = ("proof", "--source", "land", "--profile", "wren", "--at", "2026-03-20T12:00:00Z", "--out", out)
    dayroll(*where)
    whole = dots(out)
    assert dayroll(*where, "--dead", "40,41").endswith("; dead unnoticed 40, 41: 2.08% of dots lost\n")
    assert np.array_equal(np.flatnonzero((dots(out) != whole).any(axis=1)), [40, 41])
    dayroll(*where, "--slip", "0.1")
    assert dots(out).shape[1] == pytest.approx(324, abs=1)
    dayroll(*where, "--metre", "--rulers", "--venue", "quay")
    assert width(out) == 1600


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--run", "autumn"), "there is no run 'autumn'; there are: spring"),
        (("--source", "sea", "--profile", "wren"), "there is no source 'sea'; there are: land"),
        (("--source", "land"), "--profile ID"),
        (("--source", "land", "--profile", "robin"), "there are: wren"),
        (("--source", "land", "--profile", "wren", "--cycle", "fortnight"), "'fortnight' is no cycle"),
        (("--source", "land", "--profile", "wren", "--cycle", "period"), "period"),
        (("--source", "land", "--profile", "wren", "--dead", "x"), "dead: 'x' are no nozzles"),
        (("--source", "land", "--profile", "wren", "--dead", "96"), "there is no element 96"),
        (("--source", "land", "--profile", "wren", "--slip", "0.9"), "slip: 0.9 is out of range"),
        (("--source", "land", "--profile", "wren", "--at", "noon"), "at: 'noon' is not a date-time"),
        (("--run", "spring", "--profile", "wren"), "leave out --profile"),
        (("--run", "spring", "--at", "2027-03-21T12:00:00Z"), "the run holds nothing of that turn"),
    ],
)
def test_what_cannot_be_drawn_is_said(furnished: Caller, out: Path, arguments: tuple[str, ...], said: str) -> None:
    with pytest.raises(CommandError, match=said):
        dayroll("proof", *arguments, "--out", out)
    assert not out.exists()


def test_a_file_that_cannot_be_written_is_said(furnished: Caller, out: Path) -> None:
    with pytest.raises(CommandError, match="No such file or directory"):
        dayroll("proof", "--source", "land", "--profile", "wren", "--out", out / "a.png")


def test_what_is_set_aside_is_said_with_what_to_do(furnished: Caller) -> None:
    BrokenView.objects.create(view="machines", position=1, problem="no such column")
    with pytest.raises(CommandError, match=r"set aside: machines; nothing .* until .*`dayroll log rebuild` has run"):
        dayroll("reading", "feed", "--printed-mm", 200, "--measured-mm", 199, "--machine", "wren-1")


@pytest.mark.parametrize("pattern", PATTERNS)
@pytest.mark.parametrize("head", [PROFILE["profile"]["head"], CARRIAGE], ids=["line", "carriage"])  # type: ignore[index]
def test_each_pattern_is_drawn_with_its_reading_and_its_cautions(
    studio: Caller, out: Path, pattern: str, head: dict[str, object]
) -> None:
    studio.create("profiles", {"id": "made", "profile": PROFILE["profile"] | {"head": head}})  # type: ignore[operator]
    said = dayroll("pattern", pattern, "--profile", "made", "--out", out)
    assert 0 < dots(out).mean() < 1
    assert "Reading: " in said and all(caution in said for caution in patterns.CAUTIONS_AT_ROLLERS)
    at_knife = pattern in ("knife-scale", "squareness")
    assert all((caution in said) == at_knife for caution in patterns.CAUTIONS_AT_KNIFE[:2])
    dayroll("pattern", pattern, "--profile", "made", "--rulers", "--out", out)
    assert 320 <= width(out) <= 1600


def test_a_dead_nozzle_is_a_missing_step(studio: Caller, out: Path) -> None:
    studio.create("profiles", {"id": "made", "profile": PROFILE["profile"] | {"head": CARRIAGE}})  # type: ignore[operator]
    dayroll("pattern", "nozzle-check", "--profile", "made", "--out", out)
    stair = dots(out)
    assert np.array_equal(np.flatnonzero(stair.any(axis=0)), np.arange(12) * 4)
    assert all(stair[8 * nozzle : 8 * nozzle + 8, 4 * nozzle].all() for nozzle in range(12))


def test_a_wedge_keeps_its_steps_in_every_method(studio: Caller, out: Path) -> None:
    studio.create("profiles", PROFILE)
    for method in ("blue-noise", "diffusion", "ordered"):
        dayroll("pattern", "wedge", "--profile", "wren", "--method", method, "--out", out)
        patches = dots(out).reshape(96, 21, 30).mean(axis=(0, 2))
        # A patch of 96 by 30 dots is smaller than the mask's tile, so single steps may be off by more than 1%.
        assert np.abs(patches - np.linspace(0, 1, 21)).max() < 0.03


@pytest.mark.parametrize("pattern", ["knife-scale", "squareness"])
def test_a_machine_without_a_knife_has_no_pattern_for_it(studio: Caller, out: Path, pattern: str) -> None:
    studio.create("profiles", {"id": "winder", "profile": PROFILE["profile"] | {"knife": None}})  # type: ignore[operator]
    with pytest.raises(CommandError, match="this machine has none"):
        dayroll("pattern", pattern, "--profile", "winder", "--out", out)
    assert not out.exists()


def test_a_short_feed_is_set_right() -> None:
    said = dayroll("reading", "feed", "--printed-mm", 200, "--measured-mm", 199)
    assert "by 1.00503" in said and all(caution in said for caution in patterns.CAUTIONS_AT_ROLLERS)


def test_a_knife_that_stands_elsewhere_is_found(studio: Caller) -> None:
    studio.create("profiles", PROFILE)
    said = dayroll("reading", "knife", "--profile", "wren", "--cut-at-mm", -1.5)
    assert "head_to_knife_mm 21.50" in said and all(caution in said for caution in patterns.CAUTIONS_AT_KNIFE)


def test_a_cut_out_of_square_is_told(studio: Caller) -> None:
    studio.create("profiles", PROFILE)
    # A millimetre on 40: atan(1/40) is 1.432 degrees.
    assert "+1.432 degrees" in dayroll(
        "reading", "squareness", "--profile", "wren", "--upper-mm", 10.5, "--lower-mm", 9.5
    )


def test_a_wedge_becomes_a_curve_that_a_source_takes(studio: Caller) -> None:
    curve = json.loads(dayroll("reading", "wedge", 0.05, 0.5, 1.45))
    # Murray and Davies: (1 - 10**-0.45) / (1 - 10**-1.4) of what is between paper and solid; from memory.
    assert curve["printed"] == pytest.approx([0.0, 0.645184 / 0.960189, 1.0], abs=1e-5)
    assert curve["asked"] == [0.0, 0.5, 1.0]
    stars = {"id": "belt", "name": "Belt", "picture": {"kind": "stars"}, "curve": curve}
    assert studio.create("sources", stars)["curve"]["asked"] == [0, 0.5, 1]


def test_a_roll_from_its_diameters() -> None:
    """A roll of 102 mm on a core of 50.8 mm, paper of 0.1 mm: pi * (102**2 - 50.8**2) / 0.4 mm is 61.4 m."""
    said = dayroll("reading", "roll", "--outer-mm", 102, "--core-mm", 50.8, "--caliper-mm", 0.1)
    assert said == "61.4 m of paper, give or take 1.6 m for a millimetre of diameter.\n"


def test_damp_air_stretches_the_paper_and_the_feed() -> None:
    """At 0.2 % per 100 points a swing of 20 points is 0.24 mm in 600 mm (computed; common practice, no source)."""
    said = dayroll("reading", "humidity", "--length-mm", 600, "--points", 20, "--percent", 0.2)
    assert said == "The paper grows by +0.24 mm; a feed that was measured before is off by +0.040%.\n"


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("humidity", "--length-mm", 0, "--points", 20, "--percent", 0.2), "give a length above 0"),
        (("humidity", "--length-mm", 600, "--points", 200, "--percent", 0.2), "give -100 to 100"),
        (("humidity", "--length-mm", 600, "--points", 20, "--percent", -1), "such as 0.2"),
        (("feed", "--printed-mm", 200, "--measured-mm", 150), "measure again"),
        (("knife", "--profile", "wren", "--cut-at-mm", 25), "read the scale again"),
        (("knife", "--profile", "robin", "--cut-at-mm", 1), "there are: wren"),
        (("wedge", 0.1), "fewer than two steps"),
        (("wedge", 0.1, 0.5, 0.4, 1.2), "each step is darker"),
        (("wedge", 1.2, 0.5, 0.1), "measure the solid step again"),
        (("roll", "--outer-mm", 40, "--core-mm", 50, "--caliper-mm", 0.1), "outside diameter"),
    ],
)
def test_a_reading_that_cannot_be_is_refused(studio: Caller, arguments: tuple[object, ...], said: str) -> None:
    studio.create("profiles", PROFILE)
    with pytest.raises(CommandError, match=said):
        dayroll("reading", *arguments)


@pytest.fixture
def carriage(studio: Caller) -> Caller:
    """A machine ``left`` with a head of twelve nozzles, three of which set each dot, and a knife at 20 mm."""
    for resource, body in (
        ("venues", VENUE),
        ("profiles", {"id": "made", "profile": PROFILE["profile"] | {"head": CARRIAGE}}),  # type: ignore[operator]
        ("machines", {"id": "left", "name": "Left", "venue": "quay", "profile": "made"}),
    ):
        studio.create(resource, body)
    return studio


def test_what_is_read_of_a_machine_is_kept_one_beside_the_other(carriage: Caller) -> None:
    """200 mm that measure 199 are 0.995 of what was ordered; a cut 1.5 mm too early puts the knife that much farther
    away; of twelve nozzles, by three of which each dot is set, three dead cost C(3, 3) / C(12, 3) = 1 / 220 of the
    dots (closed form, common practice)."""
    assert "0.99500" in dayroll("reading", "feed", "--printed-mm", 200, "--measured-mm", 199, "--machine", "left")
    assert "21.50 mm" in dayroll("reading", "knife", "--cut-at-mm", -1.5, "--machine", "left")
    said = dayroll("reading", "nozzles", "--dead", "7,3,4", "--machine", "left")
    assert "Left out from now on: 3, 4, 7; 9 of 12 print." in said and f"{1 / 220:.2%} of the dots" in said
    kept = {"feed_factor": 0.995, "dead_nozzles": [3, 4, 7], "head_to_knife_mm": 21.5}
    assert carriage.get("machines/left").json()["calibration"] == kept
    # Printed again with what was kept, the ruler is true and the cut falls on the stroke: nothing changes.
    dayroll("reading", "feed", "--printed-mm", 200, "--measured-mm", 200, "--machine", "left")
    dayroll("reading", "knife", "--cut-at-mm", 0, "--machine", "left")
    assert carriage.get("machines/left").json()["calibration"] == kept
    assert "No nozzle is dead" in dayroll("reading", "nozzles", "--machine", "left")
    assert carriage.get("machines/left").json()["calibration"] == kept | {"dead_nozzles": []}
    assert Event.objects.filter(kind="machine-calibrated").count() == 4


def test_nozzles_that_were_left_out_before_cost_nothing(carriage: Caller) -> None:
    """With nozzles 3 and 4 left out, ten set the dots; of these three more are dead: C(3, 3) / C(10, 3) = 1 / 120
    (closed form, common practice)."""
    dayroll("reading", "nozzles", "--dead", "3,4", "--machine", "left")
    said = dayroll("reading", "nozzles", "--dead", "3,4,5,6,7", "--machine", "left")
    assert "Left out from now on: 3, 4, 5, 6, 7; 7 of 12 print." in said and f"{1 / 120:.2%} of the dots" in said
    assert "0.00% of the dots" in dayroll("reading", "nozzles", "--dead", "3,4,5,6,7", "--machine", "left")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("feed", "--printed-mm", 200, "--measured-mm", 150), "measure again"),
        (("nozzles", "--dead", "12"), "there is no nozzle 12"),
        (("nozzles", "--dead", "0,1,2,3,4,5,6,7,8,9"), "2 nozzles are left for 3 passes"),
        (("nozzles", "--dead", "some"), "are no nozzles"),
        (("knife", "--cut-at-mm", 25), "read the scale again"),
    ],
)
def test_nothing_is_kept_of_a_reading_that_cannot_be(
    carriage: Caller, arguments: tuple[object, ...], said: str
) -> None:
    with pytest.raises(CommandError, match=said):
        dayroll("reading", *arguments, "--machine", "left")
    assert carriage.get("machines/left").json()["calibration"] is None
    with pytest.raises(CommandError, match="there are: left"):
        dayroll("reading", *arguments, "--machine", "right")
