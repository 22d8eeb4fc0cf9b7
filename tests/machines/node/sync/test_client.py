"""The calls of the node over real HTTP, and what each failure says."""

from __future__ import annotations

import json
import socket
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from machines.chance import SYSTEM
from machines.errors import InputError
from machines.node.sync.answers import read_retry_after
from machines.node.sync.client import Client, backoff_s
from machines.node.sync.failures import (
    EntriesMissing,
    FencedOff,
    JournalDiffers,
    NotKnown,
    Refused,
    TooLarge,
    Unreachable,
)
from machines.protocol.messages import Reports
from tests.machines.node.relay import TOKEN, Studio, serving
from tests.machines.node.rig import HandClock, make_studio
from tests.machines.node.scripted import Answer, scripted
from tests.machines.protocol.test_messages import ENTRIES, STATUS


@pytest.fixture
def studio() -> Studio:
    return make_studio(HandClock())


@pytest.fixture
def client(studio: Studio) -> Iterator[Client]:
    with serving(studio) as url:
        client = Client(url, TOKEN)
        yield client
        client.close()


def problem(status: int, type: str = "about:blank", headers: dict[str, str] | None = None, **members: Any) -> Answer:
    body = {"type": type, "title": "No", "status": status, "detail": "because", **members}
    return Answer(status, json.dumps(body).encode(), {"Content-Type": "application/problem+json", **(headers or {})})


def test_a_code_becomes_a_token(client: Client, studio: Studio) -> None:
    enrolled = client.enrol("good")
    assert (enrolled.token, enrolled.machine, enrolled.epoch) == (TOKEN, "m1", 1)
    with pytest.raises(Refused, match="not, or no longer, good"):
        client.enrol("spent")


def test_the_servers_stamps_are_read(client: Client, studio: Studio) -> None:
    assert client.clock() == (studio.clock.now(), studio.clock.now())


def test_work_is_fetched_once_and_again_when_it_changes(client: Client, studio: Studio) -> None:
    fetched = client.work("PT168H", None)
    assert fetched is not None
    assert fetched.work == studio.work()
    assert client.work("PT168H", fetched.etag) is None
    studio.poll_after_s = 7.0
    again = client.work("PT168H", fetched.etag)
    assert again is not None
    assert again.work.poll_after_s == 7.0


def test_a_plate_comes_in_pieces(client: Client, studio: Studio, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("machines.node.sync.answers.PIECE", 100)
    pieces = [*client.plate(studio.plate.digest, 10_000)]
    assert len(pieces) > 10
    assert b"".join(pieces) == studio.plate.to_png()


def test_a_plate_that_is_not_there_is_refused(client: Client) -> None:
    with pytest.raises(Refused, match="no such thing"):
        next(client.plate("0" * 64, 10_000))


def test_reports_are_taken(client: Client, studio: Studio) -> None:
    assert client.report(Reports(epoch=1, entries=ENTRIES, status=STATUS).as_json()) == len(ENTRIES)
    assert studio.entries == list(ENTRIES)
    assert studio.statuses == [STATUS]


def test_a_token_that_is_not_good_is_told_apart(studio: Studio) -> None:
    with serving(studio) as url, pytest.raises(NotKnown, match="not good"):
        Client(url, "wrong").clock()


def test_a_later_epoch_fences_off(client: Client, studio: Studio) -> None:
    studio.epoch = 2
    nothing = Reports(epoch=1, entries=()).as_json()
    for call in (client.clock, lambda: client.work("PT1H", None), lambda: client.report(nothing)):
        with pytest.raises(FencedOff, match="taken over"):
            call()


def test_nobody_there_is_unreachable() -> None:
    with socket.socket() as closed:
        closed.bind(("127.0.0.1", 0))
        with pytest.raises(Unreachable, match="no answer"):
            Client(f"http://127.0.0.1:{closed.getsockname()[1]}", TOKEN).clock()


def test_a_server_address_without_a_scheme_is_refused() -> None:
    with pytest.raises(InputError, match="https://host"):
        Client("host:8000")


@pytest.mark.parametrize(
    ("answer", "kind"),
    [
        (problem(401), NotKnown),
        (problem(413), TooLarge),
        (problem(409, "/api/v1/problems/stale-epoch", epoch=1, current=2), FencedOff),
        (problem(409, "/api/v1/problems/journal-differs", seq=7), JournalDiffers),
        (problem(409, "/api/v1/problems/missing-entries", expected=4), EntriesMissing),
        (problem(409, "/api/v1/problems/taken"), Refused),
        (problem(500), Refused),
        (Answer(413, b"<html>Too large</html>", {"Content-Type": "text/html"}), TooLarge),
    ],
)
def test_a_refusal_is_of_its_kind(answer: Answer, kind: type[Refused]) -> None:
    with scripted(answer) as url, pytest.raises(Refused) as refused:
        Client(url, TOKEN).clock()
    assert type(refused.value) is kind
    assert refused.value.status == answer.status
    if isinstance(refused.value, EntriesMissing):
        assert refused.value.expected == 4


@pytest.mark.parametrize(
    "answer",
    [
        Answer(200, b"<html>Welcome to the hotel</html>", {}),
        Answer(200, b"{}", {}),
        Answer(200, b'{"received_at": "now", "sent_at": "now"}', {}),
        Answer(302, b"", {"Location": "http://portal.invalid/"}),
        Answer(204, b"", {}),
        Answer(304, b"", {}),
        Answer(502, b"<html>Bad gateway</html>", {}),
        Answer(500, b"[]", {"Content-Type": "application/problem+json"}),
        Answer(401, b'{"type": "about:blank"}', {"Content-Type": "application/json"}),
    ],
)
def test_an_answer_that_is_none_is_unreachable(answer: Answer) -> None:
    with scripted(answer) as url, pytest.raises(Unreachable):
        Client(url, TOKEN).clock()


def test_work_that_cannot_be_read_names_the_field(studio: Studio) -> None:
    data = studio.work().as_json()
    data["segments"][1]["end_column"] = 0
    answer = Answer(200, json.dumps(data).encode(), {"ETag": '"x"'})
    with scripted(answer) as url, pytest.raises(Unreachable, match=r"segments\[1\]\.end_column"):
        Client(url, TOKEN).work("PT1H", None)


def test_a_server_of_a_later_version_may_say_more(studio: Studio) -> None:
    data = studio.work().as_json()
    data["segments"][0]["weather"] = "fair"
    answer = Answer(200, json.dumps(data | {"mood": None}).encode(), {"ETag": '"x"'})
    with scripted(answer) as url:
        fetched = Client(url, TOKEN).work("PT1H", None)
    assert fetched is not None and fetched.work == studio.work()


def test_a_plate_that_breaks_off_is_as_if_the_server_were_gone(studio: Studio) -> None:
    png = studio.plate.to_png()
    answer = Answer(200, png[:-40], {"Content-Length": str(len(png))})
    with scripted(answer) as url, pytest.raises(Unreachable, match="broke off"):
        list(Client(url, TOKEN).plate(studio.plate.digest, 10_000))


def test_an_acceptance_that_says_nothing_accepts_nothing() -> None:
    for body in (b"{}", b"[]", b'{"accepted_through": "9"}'):
        with scripted(Answer(200, body, {})) as url, pytest.raises(Unreachable, match="did not say"):
            Client(url, TOKEN).report(Reports(epoch=1, entries=()).as_json())


def test_when_to_ask_again_is_told() -> None:
    with scripted(problem(503, headers={"Retry-After": "120"})) as url, pytest.raises(Refused) as refused:
        Client(url, TOKEN).clock()
    assert refused.value.retry_after_s == 120.0


@pytest.mark.parametrize(
    ("value", "date", "expected"),
    [
        (None, None, None),
        ("120", None, 120.0),
        # RFC 9110 section 10.2.3 has both forms: a delay, and a date, counted here from the answer's own Date.
        ("Fri, 31 Dec 1999 23:59:59 GMT", "Fri, 31 Dec 1999 23:58:59 GMT", 60.0),
        ("Fri, 31 Dec 1999 23:59:59 GMT", "Sat, 01 Jan 2000 00:00:59 GMT", 0.0),
        ("Fri, 31 Dec 1999 23:59:59 GMT", None, None),
        ("soon", "Fri, 31 Dec 1999 23:58:59 GMT", None),
        ("-5", None, None),
        ("3600", None, 3600.0),
        ("3601", None, 3600.0),
        ("9" * 400, None, 3600.0),
        ("\xb2", None, None),
        ("\u0663", None, None),
        ("Fri, 31 Dec 9999 23:59:59 GMT", "Fri, 31 Dec 1999 23:58:59 GMT", 3600.0),
        ("Fri, 31 Dec 9999 23:59:59 -2359", "Fri, 31 Dec 1999 23:58:59 GMT", None),
        ("Mon, 99 Foo", "Fri, 31 Dec 1999 23:58:59 GMT", None),
    ],
)
def test_retry_after_is_read(value: str | None, date: str | None, expected: float | None) -> None:
    assert read_retry_after(value, date) == expected


@given(st.integers(1, 10_000), st.floats(0.0, 1.0), st.none() | st.floats(0.0, 1e9))
def test_the_wait_doubles_up_to_a_limit_and_is_shorter_than_asked_for_only_beyond_an_hour(
    failures: int, chance: float, asked_for_s: float | None
) -> None:
    wait_s = backoff_s(failures, asked_for_s, lambda: chance)
    ceiling_s = min(300.0, 2.0 ** min(failures - 1, 20))
    assert min(asked_for_s or 0.0, 3600.0) <= wait_s <= 3600.0
    assert wait_s >= ceiling_s / 2
    assert wait_s <= max(ceiling_s, (asked_for_s or 0.0) + min(asked_for_s or 0.0, 60.0))


@given(st.integers(1, 10_000), st.floats(0.0, 1.0), st.floats(1.0, 3600.0))
def test_a_board_that_can_wait_tries_again_at_once_and_then_not_before_its_pace(
    failures: int, chance: float, usual_s: float
) -> None:
    wait_s = backoff_s(failures, None, lambda: chance, usual_s)
    if failures == 1:
        assert 0.5 <= wait_s <= 1.0
    else:
        assert min(usual_s, 1800.0) <= wait_s <= min(max(300.0, 2.0 * usual_s), 3600.0)


def test_each_wait_is_about_twice_the_last() -> None:
    assert [backoff_s(failures, None, lambda: 1.0, 60.0) for failures in range(1, 6)] == [
        1.0,
        120.0,
        240.0,
        300.0,
        300.0,
    ]
    assert [backoff_s(failures, None, lambda: 0.0, 60.0) for failures in range(1, 6)] == [
        0.5,
        60.0,
        120.0,
        150.0,
        150.0,
    ]


def test_nodes_that_were_cut_off_together_do_not_come_back_together() -> None:
    assert len({backoff_s(9, None, SYSTEM.share) for _ in range(50)}) > 40
