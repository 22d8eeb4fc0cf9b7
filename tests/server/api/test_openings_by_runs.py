"""Openings that a machine's run names: by a place of the picture under the head, or by the cut of its strip."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from functools import partial
from typing import Any

import pytest
from django.contrib.auth.models import User
from django.test import Client

from machines.chance import SYSTEM
from machines.errors import InputError
from machines.serialization import parse_instant
from scheduling.commands.additions import FixOpeningSeries
from scheduling.commands.changes import make
from scheduling.commands.handlers import carry_out, check_command, handle
from scheduling.commands.opening_series import change_series
from scheduling.commands.openings import as_ordered, change_opening
from scheduling.log.models import Event, Opening, OpeningSeries
from scheduling.log.store import stream_version
from tests.scheduling.house import by
from tests.server.api.test_bad_input import problem
from tests.server.api.test_changed_resources import act, patch
from tests.server.studio import BEGINS, FAR_VENUE, MACHINE, Caller, HeldClock

HEAD = {"under_head": {"machine": "wren-1", "longitude": -9.1}, "date": "2026-03-22"}
CUT = {"strip_cut": {"machine": "wren-1", "longitude": -9.1}, "date": "2026-03-22"}
# The run has four strips a turn, and begins at noon: where the picture has been through half a turn.
THIRD = {"strip_cut": {"run": "spring", "boundary": 3}}


def fixed(caller: Caller, anchor: Any, **more: Any) -> dict[str, Any]:
    body = {"id": "passage", "venue": "quay", "name": "Passage", "anchor": anchor} | more
    caller.create("openings", body)
    found: dict[str, Any] = caller.get("openings/passage").json()
    return found


def is_about(span: timedelta, wanted: timedelta) -> bool:
    """The mean Sun keeps no clock's time to the last bit."""
    return abs(span - wanted) < timedelta(seconds=1)


def instant(text: Any) -> datetime:
    return parse_instant(str(text), "at")


def test_a_place_is_laid_when_the_machine_says_it_comes_next(furnished: Caller, clock: HeldClock) -> None:
    opens_at = fixed(furnished, HEAD)["opens_at"]
    clock.at = instant("2026-03-22T06:00:00Z")
    assert opens_at == furnished.get("machines/wren-1/next?longitude=-9.1").json()["laid"]["begins_at"]


def test_a_phase_and_an_offset(furnished: Caller, clock: HeldClock) -> None:
    anchor = {"under_head": {"machine": "wren-1", "phase": 0.25}, "date": "2026-03-22", "offset": "-PT10M"}
    opens_at = instant(fixed(furnished, anchor)["opens_at"])
    clock.at = instant("2026-03-22T00:00:00Z")
    laid = furnished.get("machines/wren-1/next?phase=0.25").json()["laid"]["begins_at"]
    assert opens_at == instant(laid) - timedelta(minutes=10)


def test_a_strip_is_cut_off_after_the_place_was_laid(furnished: Caller) -> None:
    opens_at = fixed(furnished, CUT)["opens_at"]
    told = furnished.get("machines/wren-1/next?longitude=-9.1").json()
    first = instant(told["cut_off"]["begins_at"])
    assert first > instant(told["laid"]["begins_at"])
    turns = round((instant(opens_at) - first) / timedelta(days=1))
    assert is_about(instant(opens_at) - first, timedelta(days=turns))
    assert opens_at.startswith("2026-03-22")  # Lisbon's clock shows UTC then


def _boundary(number: int) -> dict[str, Any]:
    return {"strip_cut": {"run": "spring", "boundary": number}}


def test_a_boundary_of_a_run_is_counted_from_its_first(furnished: Caller) -> None:
    """A strip is 90 columns of four minutes, and its last comes to the knife when 60 are laid from its end on."""
    first = instant(fixed(furnished, _boundary(1))["opens_at"])
    assert abs(first - instant("2026-03-20T12:00:00Z") - timedelta(minutes=4 * (90 + 59))) < timedelta(minutes=1)
    furnished.create("openings", {"id": "third", "venue": "quay", "name": "Third", "anchor": THIRD})
    assert is_about(instant(furnished.get("openings/third").json()["opens_at"]) - first, timedelta(hours=12))


def test_a_series_has_the_passage_of_each_date(furnished: Caller) -> None:
    series = {"name": "Passages", "venues": ["quay"], "anchor": HEAD | {"date": "2026-03-21"}}
    furnished.create("opening-series", {"id": "passages"} | series | {"rule": "FREQ=DAILY;COUNT=2"})
    one, other = (instant(furnished.get(f"openings/passages-2026-03-{day}").json()["opens_at"]) for day in (21, 22))
    assert is_about(other - one, timedelta(days=1))


@pytest.mark.parametrize(
    ("anchor", "field", "told"),
    [
        (HEAD | {"date": "2026-04-22"}, "anchor.date", "no run that is planned does that"),
        (HEAD | {"date": "2026-03-19"}, "anchor.date", "the next is "),
        ({"under_head": HEAD["under_head"]}, "anchor.date", "is no date"),
        (HEAD | {"civil": "2026-03-22T19:00"}, "anchor.civil", "no such field"),
        (HEAD | {"under_head": "wren-1"}, "anchor.under_head", "no object"),
        (HEAD | {"under_head": {"machine": "wren-1"}}, "anchor.under_head.longitude", "missing"),
        (HEAD | {"under_head": {"machine": "wren-1", "longitude": "west"}}, "anchor.under_head.longitude", "no number"),
        (HEAD | {"under_head": {"machine": "wren-1", "longitude": 400}}, "anchor.under_head.longitude", "400"),
        (
            HEAD | {"under_head": {"machine": "wren-1", "phase": 0.5, "column": 1}},
            "anchor.under_head.column",
            "no such",
        ),
        (HEAD | {"under_head": {"machine": "wren-9", "phase": 0.5}}, "anchor.machine", "there is no machine"),
        (HEAD | {"under_head": {"machine": "wren-2", "phase": 0.5}}, "anchor.machine", "does not stand at"),
        (HEAD | {"offset": "soon"}, "anchor.offset", "no ISO 8601 duration"),
        (_boundary(0), "anchor.strip_cut.boundary", "no number"),
        (_boundary(10**15), "anchor.strip_cut.boundary", "cuts no strip"),
        (_boundary(12), "anchor.strip_cut.boundary", "cuts no strip"),
        (THIRD | {"date": "2026-03-22"}, "anchor.date", "no such field"),
        ({"strip_cut": {"run": "autumn", "boundary": 1}}, "anchor.strip_cut.run", "there is no"),
    ],
)
def test_what_no_run_does_is_refused(furnished: Caller, anchor: Any, field: str, told: str) -> None:
    furnished.create("venues", FAR_VENUE)
    furnished.create("machines", MACHINE | {"id": "wren-2", "venue": "shed"})
    events = Event.objects.count()
    body = {"id": "passage", "venue": "quay", "name": "Passage", "anchor": anchor}
    refused = problem(furnished.post("openings", body), 422)
    assert refused["field"] == field
    assert told in refused["detail"]
    assert Event.objects.count() == events


def test_what_has_no_date_does_not_recur(furnished: Caller) -> None:
    series = {"id": "cuts", "name": "Cuts", "venues": ["quay"], "anchor": THIRD, "rule": "FREQ=DAILY;COUNT=2"}
    assert problem(furnished.post("opening-series", series), 422)["field"] == "anchor"


# The run changes.


def test_an_opening_keeps_its_instant_and_that_is_told(furnished: Caller) -> None:
    opens_at = fixed(furnished, HEAD, closing=HEAD | {"offset": "PT3H"})["opens_at"]
    end = {"at": "2026-03-21T12:00:00Z", "boundary": "turn"}
    told = problem(act(furnished, "runs/spring", "end", end), 409)["warnings"]
    assert [one["kind"] for one in told] == ["named-by-this", "named-by-this"]
    assert told[0]["in_words"].startswith("Passage stays at 2026-03-22 12:35, by the clock of Europe/Lisbon")
    assert told[1]["in_words"].startswith("The end of Passage stays at 2026-03-22 15:3")
    assert act(furnished, "runs/spring", "end", end, "?accept=named-by-this").status_code == 200
    assert furnished.get("openings/passage").json()["opens_at"] == opens_at
    shown = patch(furnished, "openings/passage", {"name": "Late passage"}, "?preview=true").json()["in_words"]
    assert shown[-1] == "What Late passage was named by is not planned any more; it stays at 2026-03-22 12:35."
    assert patch(furnished, "openings/passage", {"name": "Late passage"}).status_code == 200
    renamed = furnished.get("openings/passage").json()
    assert (renamed["name"], renamed["opens_at"]) == ("Late passage", opens_at)
    assert problem(patch(furnished, "openings/passage", {"anchor": {"offset": "PT1M"}}), 422)["field"] == "anchor.date"


def test_of_many_openings_the_first_are_told_and_the_others_are_counted(furnished: Caller) -> None:
    for number in range(8):
        anchor = HEAD | {"offset": f"PT{number}M"}
        furnished.create("openings", {"id": f"of-{number}", "venue": "quay", "name": f"Of {number}", "anchor": anchor})
    told = act(furnished, "runs/spring", "withdraw", {}, "?preview=true").json()["warnings"]
    named = [one["in_words"] for one in told if one["kind"] == "named-by-this"]
    assert [words.partition(" stays at 2026-03-22 12:")[0] for words in named[:5]] == [f"Of {one}" for one in range(5)]
    assert named[5:] == ["So it is for 3 beginnings and ends of openings more."]


def test_what_is_named_by_what_is_printed_before_the_end_is_not_told(furnished: Caller) -> None:
    fixed(furnished, HEAD | {"date": "2026-03-21"})
    end = {"at": "2026-03-22T12:00:00Z", "boundary": "turn"}
    assert act(furnished, "runs/spring", "end", end).status_code == 200


def test_a_run_that_is_held_then_is_asked_about(furnished: Caller) -> None:
    fixed(furnished, HEAD)
    span = {"at": "2026-03-22T12:00:00Z", "until": "2026-03-22T13:00:00Z"}
    told = problem(act(furnished, "runs/spring", "hold", span), 409)["warnings"]
    assert [one["kind"] for one in told] == ["named-by-this"]
    before = {"at": "2026-03-22T08:00:00Z", "until": "2026-03-22T09:00:00Z"}
    assert act(furnished, "runs/spring", "hold", before).status_code == 200


def test_a_run_that_is_withdrawn_names_nothing_any_more(furnished: Caller) -> None:
    fixed(furnished, THIRD)
    shown = act(furnished, "runs/spring", "withdraw", {}, "?preview=true").json()
    assert "named-by-this" in [one["kind"] for one in shown["warnings"]]
    assert act(furnished, "runs/spring", "withdraw", {}, "?accept=true").status_code == 200
    again = {"id": "again", "venue": "quay", "name": "Again", "anchor": THIRD}
    assert "was withdrawn" in problem(furnished.post("openings", again), 422)["detail"]
    act(furnished, "openings/passage", "call-off")
    assert act(furnished, "openings/passage", "take-back").status_code == 200


def test_that_the_run_of_its_end_is_changed_in_between_is_noticed(furnished: Caller) -> None:
    fixed(furnished, {"civil": "2026-03-20T19:00", "zone": "Europe/Lisbon"})
    row = Opening.objects.get(id="passage")
    command = replace(as_ordered(row), closing=THIRD)
    change = change_opening(row, command, BEGINS, stream_version("opening/passage"))
    later = {"starts_at": "2026-03-21T12:00:00Z", "ends_at": "2026-03-24T12:00:00Z"}
    assert patch(furnished, "runs/spring", later, "?accept=true").status_code == 200
    with pytest.raises(InputError, match="in this moment") as caught:
        make(change, None, by(), SYSTEM, accepted=True)
    assert caught.value.field == "closing"


@pytest.fixture
def passages(furnished: Caller) -> FixOpeningSeries:
    """A series of two dates that is not fixed yet."""
    return FixOpeningSeries(
        id="passages",
        name="Passages",
        venues=("quay",),
        anchor=CUT | {"date": "2026-03-21"},
        rule="FREQ=DAILY;COUNT=2",
    )


def cut_otherwise_just_before(order: Callable[[], None], caller: Caller) -> tuple[str, int]:
    """The field for which an order is refused that comes too late, and how many facts it left."""
    assert patch(caller, "runs/spring", {"strips_per_turn": 6}, "?accept=true").status_code == 200
    events = Event.objects.count()
    with pytest.raises(InputError, match="in this moment") as caught:
        order()
    return caught.value.field, Event.objects.count() - events


def test_that_the_run_of_a_series_is_changed_in_between_is_noticed(
    furnished: Caller, passages: FixOpeningSeries
) -> None:
    checked = check_command(passages, by(), None)
    assert cut_otherwise_just_before(lambda: carry_out(passages, checked, by()), furnished) == ("anchor", 0)


def test_that_the_run_of_a_changed_series_is_changed_in_between_is_noticed(
    furnished: Caller, passages: FixOpeningSeries
) -> None:
    handle(replace(passages, rule="FREQ=DAILY;COUNT=1"), by())
    row = OpeningSeries.objects.get(id="passages")
    change = change_series(row, passages, BEGINS, stream_version("series/passages"))
    order = partial(make, change, None, by(), SYSTEM, accepted=True)
    assert cut_otherwise_just_before(order, furnished) == ("anchor", 0)


def test_the_console_says_how_it_is_named(furnished: Caller, client: Client) -> None:
    fixed(furnished, HEAD)
    furnished.create("openings", {"id": "third", "venue": "quay", "name": "Third", "anchor": THIRD})
    page = client.get("/").content.decode()
    assert "at laying longitude -9.1 on wren-1" in page
    assert "at cutting off strip 3 of run spring" in page


def test_it_is_named_otherwise_on_the_page_when_its_run_is_gone(furnished: Caller, client: Client) -> None:
    opens_at = fixed(furnished, THIRD)["opens_at"]
    assert act(furnished, "runs/spring", "withdraw", {}, "?accept=true").status_code == 200
    client.force_login(User.objects.create_superuser("robin"))
    path, body = "/openings/passage/change", {"name": "Late passage", "by": "as-it-is", "version": "1"}
    seen = client.post(path, body).content.decode()
    assert "is not planned any more; it stays at" in seen
    keep = re.search('name="keep" value="([0-9a-f]{64})"', seen)
    assert keep is not None, seen
    client.post(path, body | {"keep": keep[1]})
    found = furnished.get("openings/passage").json()
    assert (found["name"], found["opens_at"]) == ("Late passage", opens_at)
