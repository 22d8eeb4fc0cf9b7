"""`dayroll rehearse`: the odds in words or as JSON, and what is wrong with what was asked."""

from __future__ import annotations

import io
import json

import pytest
from django.core.management import CommandError, call_command

from tests.server.studio import Caller

pytestmark = pytest.mark.usefixtures("furnished")


def told(*arguments: object) -> str:
    out = io.StringIO()
    call_command("rehearse", "spring", *map(str, arguments), stdout=out, stderr=io.StringIO())
    return out.getvalue()


def test_it_is_told_in_words() -> None:
    lines = told("--seasons", 400, "--assume", "power_every_days=1").splitlines()
    assert lines[0].startswith("spring, 12:03 on Fri 20 Mar 2026 to ")
    assert lines[0].endswith("played 400 times, seed 1.")
    assert lines[1].startswith("First night, 19:00 on Sat 21 Mar 2026: all is right in ")
    for begins in (
        "Off the sky for ",
        "Paper: ",
        "Spares that are enough in 95 % of the seasons:",
        "What moves the odds most: no power cuts: ",
    ):
        assert any(line.startswith(begins) for line in lines), begins
    for said in (
        "  a power cut every day of printing, of 3 hours on average (as was said)",
        "  policy: print all of it",
    ):
        assert any(line.startswith(said) for line in lines), said
    assert any("common practice, no source" in line for line in lines)
    assert lines[-1].startswith("Not modelled: ")


def test_the_same_seed_tells_the_same() -> None:
    first = json.loads(told("--seasons", 200, "--seed", 7, "--alone", "--json"))
    assert first == json.loads(told("--seasons", 200, "--seed", 7, "--alone", "--json"))
    assert first["compared"] == [] and first["seed"] == 7


def test_the_api_plays_the_same(furnished: Caller) -> None:
    same = furnished.get("runs/spring/rehearsal?seasons=200&seed=3&power_every_days=5").json()
    assert json.loads(told("--seasons", 200, "--seed", 3, "--assume", "power_every_days=5", "--json")) == same


def test_where_nothing_goes_wrong_nothing_moves_the_odds() -> None:
    never = [f"{name}_every_days=0" for name in ("power", "network", "jam", "part", "nozzle")]
    said = told("--seasons", 100, *(part for one in never for part in ("--assume", one)))
    assert "all is right in 100 % (give or take 2.7 %)." in said
    assert "Nothing that was tried moves the odds by more than chance may." in said
    assert "no power cut (as was said)" in said


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--seasons", 10), "seasons: 10; give 100 to 100,000"),
        (("--seed", -1), "seed: -1"),
        (("--confidence", 2), "confidence: 2.0"),
        (("--assume", "ghosts=1"), "ghosts: nothing is assumed by that name"),
        (("--assume", "power_hours"), "give a name and a number"),
        (("--assume", "power_hours=-1"), "power_hours: -1.0 hours"),
        (("--assume", "power_every_days=nan"), "power_every_days: nan days"),
        (("--assume", "jam_every_days=0.001"), "jam_every_days: 0.001 days"),
        (("--assume", "late_share=2"), "late_share: 2.0; give 0 to 1"),
        (("--assume", "change_minutes=0"), "change_minutes: 0.0; give 0.1 to 1440"),
    ],
)
def test_what_is_wrong_is_said(arguments: tuple[object, ...], said: str) -> None:
    with pytest.raises(CommandError, match=said):
        told(*arguments)
