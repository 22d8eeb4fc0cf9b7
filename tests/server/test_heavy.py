"""Costly answers: made once while what they depend on stays the same, and only a few at a time."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from datetime import timedelta
from typing import Any

import pytest
from django.test import Client

from machines.serialization import parse_instant
from scheduling.log.models import Event, Opening, Segment
from scheduling.log.rebuilding.rebuild import rebuild
from server.api import about, calendar, proofs
from server.console.pictures import plate_picture
from server.heavy import TURNS, AnswerCache, Busy, Room, Turns
from tests.machines.node.test_end_to_end import wait_for
from tests.scheduling.rendering.test_render import grey_png
from tests.server.api.test_bad_input import problem
from tests.server.studio import OPENING, Caller, HeldClock

DEAREST = "venues/quay/calendar.ics?back=P92D&ahead=P366D&sky=civil-dawn,civil-dusk,sunrise,sunset"


class Counted:
    """The same function, and how often it was called."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, module: Any, name: str) -> None:
        self.times, self.real = 0, getattr(module, name)
        monkeypatch.setattr(module, name, self)

    def __call__(self, *args: Any, **kwargs: Any) -> Any:
        self.times += 1
        return self.real(*args, **kwargs)


def test_a_calendar_is_written_once_while_nothing_moves_it(
    furnished: Caller, clock: HeldClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    written = Counted(monkeypatch, calendar, "written")
    first = Caller().get(DEAREST)
    assert first.status_code == 200 and written.times == 1
    assert Caller().get(DEAREST).content == first.content and written.times == 1
    furnished.create("openings", OPENING | {"id": "second-night", "name": "Second night"})
    assert b"Second night" in Caller().get(DEAREST).content and written.times == 2
    assert Caller().get(DEAREST + "&back=P1D").status_code == 422
    clock.at += timedelta(hours=1)
    assert Caller().get(DEAREST).status_code == 200 and written.times == 3


def test_printing_as_planned_moves_no_calendar(
    node: Caller, furnished: Caller, clock: HeldClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    segment = furnished.get("runs/spring/segments?limit=1").json()["results"][0]
    clock.at = parse_instant(segment["starts_at"]) + timedelta(minutes=1)
    assert Caller().get(DEAREST).status_code == 200
    written = Counted(monkeypatch, calendar, "written")
    printed = {
        "kind": "columns-printed",
        "seq": 1,
        "at": segment["starts_at"],
        "run": "spring",
        "segment": segment["number"],
        "columns": {"first": segment["first_column"], "end": segment["first_column"] + 1},
        "columns_done": 1,
        "paper_position": 1,
        "worst_miss_s": 0.0,
    }
    answer = node.post("node/reports", {"epoch": 1, "entries": [printed]})
    assert answer.status_code == 200, answer.content
    assert Event.objects.latest("position").kind == "columns-printed"
    assert Caller().get(DEAREST).status_code == 200 and written.times == 0


def test_a_view_that_was_put_right_is_seen_in_the_calendar(furnished: Caller) -> None:
    furnished.create("openings", OPENING | {"id": "second-night", "name": "Second night"})
    Opening.objects.filter(id="second-night").update(name="A name that nobody said")
    assert b"A name that nobody said" in Caller().get(DEAREST).content
    assert not all(result.equal for result in rebuild())
    assert b"Second night" in Caller().get(DEAREST).content


def test_a_thumbnail_is_drawn_once_for_each_paper(furnished: Caller, monkeypatch: pytest.MonkeyPatch) -> None:
    digest = furnished.post("uploads", grey_png(), content_type="image/png").json()["digest"]
    furnished.create("sources", {"id": "grey", "name": "Grey", "picture": {"kind": "image"}, "upload": digest})
    drawn = Counted(monkeypatch, proofs, "thumbnail_png")
    first = furnished.get("sources/grey/thumbnail.png")
    assert first.status_code == 200 and drawn.times == 1
    assert furnished.get("sources/grey/thumbnail.png?at=2026-09-01T00:00:00Z").content == first.content
    assert drawn.times == 1
    assert furnished.get("sources/grey/thumbnail.png?profile=wren").status_code == 200 and drawn.times == 2


def test_the_description_is_made_once_and_tagged(db: None, monkeypatch: pytest.MonkeyPatch) -> None:
    about.DESCRIBED.forget()
    rendered = Counted(monkeypatch, about, "SchemaGenerator")
    first = Caller().get("schema")
    assert first.status_code == 200 and json.loads(first.content)["openapi"].startswith("3.1")
    assert Caller().get("schema", HTTP_IF_NONE_MATCH=first["ETag"]).status_code == 304
    assert rendered.times == 1


def test_three_who_ask_for_the_description_at_once_have_it_made_once(db: None, monkeypatch: pytest.MonkeyPatch) -> None:
    about.DESCRIBED.forget()
    monkeypatch.setattr(about.DESCRIBED.turns, "patience_s", 600.0)  # a busy computer makes it slowly
    rendered, found = Counted(monkeypatch, about, "SchemaGenerator"), []
    asking = [threading.Thread(target=lambda: found.append(about.description())) for _ in range(3)]
    for one in asking:
        one.start()
    for one in asking:
        one.join()
    assert len(set(found)) == 1 and len(found) == 3
    assert rendered.times == 1


@pytest.fixture
def all_turns_taken() -> Iterator[None]:
    """Two at work, and four who wait."""
    with ExitStack() as stack:
        for _ in range(2):
            stack.enter_context(TURNS.turn())
        waiting = [threading.Thread(target=_take_a_turn) for _ in range(4)]
        for one in waiting:
            one.start()
        wait_for(lambda: TURNS.room.taken == TURNS.room.most, "that all turns are taken")
        yield
    for one in waiting:
        one.join()


def _take_a_turn() -> None:
    with suppress(Busy), TURNS.turn():
        pass


@pytest.mark.parametrize(
    "path",
    [
        DEAREST,
        "sources/land/thumbnail.png",
        "sources/land/proof.png?profile=wren",
        "sources/land/seam?profile=wren",
        "runs/spring/proof.png",
        "runs/spring/supplies",
        "machines/wren-1/forecast",
    ],
)
def test_who_comes_when_all_turns_are_taken_is_told_to_come_again(
    furnished: Caller, all_turns_taken: None, path: str
) -> None:
    answer = furnished.get(path)
    assert problem(answer, 429)["type"] == "/api/v1/problems/busy"
    assert answer["Retry-After"] == "10"


def test_what_was_made_is_shown_also_while_all_turns_are_taken(
    furnished: Caller, request: pytest.FixtureRequest
) -> None:
    paths = (DEAREST, "sources/land/thumbnail.png", "schema")
    before = [furnished.get(path).content for path in paths]
    request.getfixturevalue("all_turns_taken")
    assert [furnished.get(path).content for path in paths] == before


def test_a_picture_of_a_page_says_so_in_words(furnished: Caller, all_turns_taken: None) -> None:
    plate_picture.cache_clear()  # another test may have looked at this very plate
    digest = Segment.objects.exclude(plate=None).values_list("plate", flat=True)[0]
    answer = Client().get(f"/machines/wren-1/plates/{digest}.png")
    assert answer.status_code == 429 and answer["Retry-After"] == "10"
    assert b"Load the page again" in answer.content


def test_what_is_left_is_counted_in_a_turn_and_shown_outside_of_one(
    furnished: Caller, request: pytest.FixtureRequest, clock: HeldClock
) -> None:
    """The sheet of the day needs no account."""
    before = Client().get("/venues/quay/today")
    assert before.status_code == 200
    request.getfixturevalue("all_turns_taken")
    assert Client().get("/venues/quay/today").content == before.content
    clock.at += timedelta(hours=1)
    answer = Client().get("/venues/quay/today")
    assert answer.status_code == 429 and answer["Retry-After"] == "10"
    assert furnished.get("venues").status_code == 200


@pytest.mark.parametrize(("threads", "most"), [(2, 1), (3, 2), (6, 5), (7, 6), (8, 6), (256, 6)])
def test_costly_answers_of_every_kind_leave_one_thread(threads: int, most: int) -> None:
    room = Room()
    room.within(threads)
    turns = [Turns(room=room, patience_s=0.0), Turns(at_once=1, room=room, patience_s=0.0)]
    with ExitStack() as stack:
        for _ in range(most):
            stack.enter_context(room.place())
        for one in turns:
            with pytest.raises(Busy), one.turn():
                pass
    for one in turns:
        with one.turn():
            pass


def test_with_one_thread_nothing_would_be_left() -> None:
    with pytest.raises(ValueError, match="1 threads, where costly answers and light ones need 2"):
        Room().within(1)


def test_a_turn_is_given_back_also_when_the_making_fails() -> None:
    turns = Turns(at_once=1, room=Room(1))
    with pytest.raises(ZeroDivisionError), turns.turn():
        1 / 0  # noqa: B018
    with turns.turn(), pytest.raises(Busy), turns.turn():
        pass


def test_who_waits_too_long_is_told_to_come_again() -> None:
    turns = Turns(at_once=1, room=Room(2), patience_s=0.05)
    with turns.turn(), pytest.raises(Busy), turns.turn():
        pass
    with turns.turn():
        pass


def test_one_of_two_who_ask_for_the_same_makes_it() -> None:
    kept, made = AnswerCache(Turns(at_once=1, room=Room(2))), []
    begun = threading.Event()

    def slowly() -> bytes:
        begun.set()
        time.sleep(0.1)
        made.append(1)
        return b"made"

    first = threading.Thread(target=lambda: kept.get("it", slowly))
    first.start()
    begun.wait()
    assert kept.get("it", slowly) == b"made"
    first.join()
    assert len(made) == 1


def test_it_is_there_before_the_next_has_a_turn() -> None:
    """Or whoever waited for the same would make it once more."""

    class Watched(Turns):
        @contextmanager
        def turn(self) -> Iterator[None]:
            with super().turn():
                yield
            kept.turns = Turns()
            found.append(kept.get("it", lambda: b"made again"))

    kept, found = AnswerCache(Watched()), list[bytes]()
    assert kept.get("it", lambda: b"made") == b"made"
    assert found == [b"made"]


def test_the_least_used_goes_first_when_there_is_too_much() -> None:
    kept, made = AnswerCache(Turns(), most_bytes=10), []

    def get(name: str) -> bytes:
        def make() -> bytes:
            made.append(name)
            return name.encode() * 4

        return kept.get(name, make)

    for name in "abacb":
        assert get(name) == name.encode() * 4
    assert made == ["a", "b", "c", "b"]
