"""A plate that the server's disk has lost: said as what it is, and drawn anew."""

from __future__ import annotations

import io
from datetime import timedelta

import pytest
from django.core.management import CommandError, call_command

from scheduling.log.claims import claimed
from scheduling.log.models import Segment
from server import jobs, wiring
from tests.server.api.test_bad_input import problem
from tests.server.api.test_node_calls import work_of
from tests.server.studio import Caller, HeldClock, printed


@pytest.fixture
def lost(node: Caller, clock: HeldClock) -> str:
    """The digest of a plate of which part is printed; its file is cut short."""
    work = work_of(node)
    clock.at += timedelta(hours=12)
    node.post("node/reports", {"epoch": 1, "entries": [printed(work, 1)]})
    digest = Segment.objects.values_list("plate", flat=True)[0]
    (file,) = wiring.plates().place.rglob(f"{digest}.png")
    file.write_bytes(file.read_bytes()[:-20])
    return digest


@pytest.mark.parametrize(
    "path",
    [
        "plates/{plate}.png",
        "machines/wren-1/proof.png?show=last-metre",
        "machines/wren-1/forecast",
    ],
)
def test_what_needs_it_is_to_be_asked_again(furnished: Caller, lost: str, path: str) -> None:
    answer = furnished.get(path.format(plate=lost))
    told = problem(answer, 503)
    assert (told["type"], told["plate"]) == ("/api/v1/problems/plate-gone", lost)
    assert int(answer["Retry-After"]) > 0
    jobs.redraw()
    assert furnished.get(path.format(plate=lost)).status_code == 200


def test_what_a_whole_run_uses_up_needs_no_plate(furnished: Caller, lost: str) -> None:
    """Its dots were said as it was planned."""
    before = furnished.get("runs/spring/supplies")
    assert before.status_code == 200
    jobs.redraw()
    assert furnished.get("runs/spring/supplies").json() == before.json()


def test_after_a_studio_moved_all_plates_are_drawn_anew_by_a_command(lost: str) -> None:
    out, err = io.StringIO(), io.StringIO()
    call_command("redraw", stdout=out, stderr=err)
    assert (out.getvalue(), err.getvalue()) == ("Plates drawn anew: 1.\n", "drawn 1 of 1 plates\n")
    assert wiring.plates().has(lost)
    call_command("redraw", stdout=out)
    assert out.getvalue().endswith("Every plate is there.\n")


def test_that_somebody_else_draws_them_is_said_and_not_that_all_are_there(lost: str) -> None:
    out = io.StringIO()
    with claimed("redraw lost plates"), pytest.raises(CommandError, match="somebody else is drawing lost plates anew"):
        call_command("redraw", stdout=out)
    assert out.getvalue() == ""
    assert not wiring.plates().has(lost)


def test_a_plate_that_cannot_be_drawn_as_it_was_is_named(lost: str) -> None:
    Segment.objects.update(plate="0" * 64)
    err = io.StringIO()
    with pytest.raises(CommandError, match="1 lost plates could not be drawn anew; 0 others were"):
        call_command("redraw", stderr=err)
    assert f"plate {'0' * 64} is lost, and what is drawn now is {lost}" in err.getvalue()


def test_a_plate_that_nobody_planned_is_not_found(furnished: Caller) -> None:
    assert furnished.get(f"plates/{'0' * 64}.png").status_code == 404
