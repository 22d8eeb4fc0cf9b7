"""Streams that were closed into an archive though others name them: every page and every call says something else than
that this server made a mistake."""

from __future__ import annotations

from pathlib import Path

import pytest
from django.test import Client

from scheduling.log.integrity.archive import close_streams
from scheduling.log.models import Run
from tests.scheduling.log.facts import by
from tests.server.api.test_bad_input import problem
from tests.server.desk.pages import signed_in
from tests.server.every_page import Address, every_address, one_of_everything
from tests.server.studio import Caller, HeldClock

CLOSED = (["machine/wren-1"], ["venue/quay"], ["profile/wren"], ["source/land"], ["run/spring", "series/sundays"])


@pytest.fixture
def person(furnished: Caller, clock: HeldClock) -> Client:
    """Somebody of the studio; the machine has printed for hours, then somebody paused it."""
    one_of_everything(furnished, clock)
    return signed_in()


def failing(person: Client, studio: Caller) -> list[str]:
    """The addresses that answer that this server made a mistake."""
    return [f"{one.path} {answered}" for one in every_address() if (answered := _asked(one, person, studio)) >= 500]


def _asked(one: Address, person: Client, studio: Caller) -> int:
    client = studio._client() if one.is_api else person
    client.raise_request_exception = False
    return int(client.get(one.path).status_code)


@pytest.mark.parametrize("streams", CLOSED, ids=lambda streams: streams[0])
def test_nothing_fails_where_a_stream_was_closed_that_others_name(
    person: Client, furnished: Caller, tmp_path: Path, streams: list[str]
) -> None:
    close_streams(streams, tmp_path / "old.jsonl", by(), key=None)
    assert failing(person, furnished) == []


def test_nor_where_it_was_the_source_of_what_was_printed_last(
    person: Client, furnished: Caller, clock: HeldClock, tmp_path: Path
) -> None:
    close_streams(["source/land"], tmp_path / "old.jsonl", by(), key=None)
    clock.sleep(7 * 86400.0)
    Run.objects.update(skipped=4000)  # as if all were settled
    said = "Nothing is being printed now. land was printed here until"
    assert said in person.get("/machines/wren-1/now").content.decode()
    assert failing(person, furnished) == []


def test_before_that_nothing_fails_either(person: Client, furnished: Caller) -> None:
    assert failing(person, furnished) == []


def test_a_page_says_what_was_closed(person: Client, furnished: Caller, tmp_path: Path) -> None:
    close_streams(["venue/quay"], tmp_path / "old.jsonl", by(), key=None)
    answer = person.get("/machines/wren-1/now")
    assert answer.status_code == 410  # RFC 9110 section 15.5.11
    said = "Venue &#x27;quay&#x27; was closed into an archive; all that was said of it is in that file."
    assert said in answer.content.decode()
    assert problem(furnished.get("machines/wren-1/forecast"), 422)["field"] == "venue"
    assert "Wren 1" not in person.get("/").content.decode()
