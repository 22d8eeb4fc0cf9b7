"""`dayroll proof` and `dayroll pattern`: a PNG of what paper will look like, or a sentence that says what is wrong."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from django.core.management import CommandError, call_command
from PIL import Image

from machines import patterns
from machines.plate import Plate
from scheduling.log.models import Run, Segment
from server import wiring
from server.console.management.commands.pattern import PATTERNS
from tests.server.studio import PROFILE, Caller

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
    assert said == f"{out}: {(turn_ends - run.first_column) / 3:.4g} by 40 mm of paper\n"
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
    dayroll(*where, "--dead", "40,41")
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
