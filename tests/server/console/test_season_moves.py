"""What can be moved on the season: by whom, on which page, and with which times the form there begins."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from scheduling.log.models import Opening, Run, Venue
from server.accounts.principals import STUDIO, Grant
from server.console.season_moves import Move, Moves, local
from tests.server.desk.pages import shown, signed_in
from tests.server.studio import RUN, Caller

STARTS = datetime(2026, 3, 20, 12, 0, tzinfo=UTC)
CURATOR, ELSEWHERE, READER = Grant("curator", ("quay",)), Grant("curator", ("shed",)), Grant("reader")


@pytest.fixture
def quay(furnished: Caller) -> Venue:
    return Venue.objects.get(id="quay")


def test_one_that_has_not_begun_is_moved_whole_and_one_that_has_at_its_end(quay: Venue) -> None:
    run = Run.objects.get()
    whole = Moves(STARTS - timedelta(hours=1), STUDIO).of_run(run, quay)
    times = {"begins": "2026-03-20T12:00", "ends": "2026-03-23T12:00"}
    assert whole == Move(page="/runs/spring/change", first="starts", last="ends", **times)
    begun = Moves(STARTS + timedelta(hours=1), STUDIO)
    assert begun.of_run(run, quay) == Move(page="/runs/spring/end", last="at", **times)
    assert Moves(STARTS + timedelta(days=3), STUDIO).of_run(run, quay) is None, "it is over"
    told = Run(id=run.id, starts_at=run.starts_at, ends_at=run.ends_at, printed=1)
    early = Moves(STARTS - timedelta(hours=1), STUDIO).of_run(told, quay)
    assert early is not None and early.page == "/runs/spring/end", "its board told of it before it was due"


@pytest.mark.parametrize(
    ("standing", "of_run", "of_opening", "to_plan"),
    [
        (STUDIO, True, True, True),
        (CURATOR, True, True, False),
        (ELSEWHERE, False, False, False),
        (READER, *[False] * 3),
    ],
)
def test_nothing_is_offered_that_would_be_refused(
    quay: Venue, standing: Grant, of_run: bool, of_opening: bool, to_plan: bool
) -> None:
    moves = Moves(STARTS + timedelta(hours=1), standing)
    assert (moves.of_run(Run.objects.get(), quay) is not None) == of_run
    assert (moves.of_opening(Opening.objects.get(), quay) is not None) == of_opening
    assert (moves.to_plan("wren-1", quay, STARTS.date()) is not None) == to_plan


def test_an_opening_that_has_been_stays_where_it_was(quay: Venue) -> None:
    row = Opening.objects.get()
    assert Moves(row.opens_at, STUDIO).of_opening(row, quay) is None


def test_times_are_those_of_the_clock_there(quay: Venue) -> None:
    # Lisbon is an hour ahead of UTC in summer.
    assert local(datetime(2026, 7, 1, 23, 30, tzinfo=UTC), quay) == "2026-07-02T00:30"


def test_the_form_of_a_run_begins_with_the_times_of_the_address(quay: Venue, furnished: Caller) -> None:
    later = {"starts_at": "2026-04-01T12:00:00Z", "ends_at": "2026-04-03T12:00:00Z"}
    furnished.create("runs", RUN | {"id": "later"} | later)
    client = signed_in()
    page = shown(client, "/runs/later/change?starts=2026-04-11T13:00&ends=2026-04-13T13:00")
    assert 'value="2026-04-11T13:00"' in page and 'value="2026-04-13T13:00"' in page
    page = shown(client, "/runs/new?machine=wren-1&starts=2026-05-02T12:00")
    assert 'value="2026-05-02T12:00"' in page and '<option value="wren-1" selected>' in page
    assert "whenever" not in shown(client, "/runs/later/change?starts=whenever<script>")


def test_the_form_of_an_opening_begins_with_the_time_of_the_address(quay: Venue) -> None:
    page = shown(signed_in(), "/openings/first-night/change?civil=2026-03-28T19:00")
    assert 'value="2026-03-28T19:00"' in page


def test_only_who_may_move_something_is_offered_it_on_the_page(quay: Venue) -> None:
    address = "/season?from=2026-03&months=2"
    page = shown(signed_in(), address)
    assert 'data-page="/openings/first-night/change" data-begins="2026-03-21T19:00" data-first="civil"' in page
    assert 'data-plan="/runs/new?machine=wren-1" data-from="2026-03-01T12:00"' in page
    assert "data-page" not in shown(signed_in("reader"), address)
