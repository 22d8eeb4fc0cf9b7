"""The page that a message leads to: it asks for the message's secret and no account, and looking changes nothing."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client

from machines.serialization import unstructure
from scheduling.log.beside_telling import keep_matters, keep_recipients
from scheduling.log.models import Matter, Message
from scheduling.telling.amiss import Amiss
from server.accounts.message_secrets import message_secret
from tests.server.studio import Caller, HeldClock

ID = "0" * 32
ADDRESS = f"/see-to/{ID}/{message_secret(ID)}"


@pytest.fixture
def sent(furnished: Caller, clock: HeldClock) -> Matter:
    keep_recipients({"recipients": [{"id": "desk", "role": "studio", "email": "a@b.example", "language": "pt"}]})
    part = Amiss(kind="knife", since=clock.at, venue="quay", machine="wren-1")
    keep_matters(
        [
            Matter(
                id="m",
                kind="knife",
                venue="quay",
                parts={part.key: unstructure(part)},
                began_at=clock.at,
                told_from=clock.at,
            )
        ],
        [],
    )
    Message.objects.create(
        id=ID, matter="m", recipient="desk", what="knife", way="email", made_at=clock.at, next_at=clock.at
    )
    return Matter.objects.get()


def test_it_says_what_is_amiss_in_their_language_and_looking_changes_nothing(sent: Matter) -> None:
    for method in ("get", "head"):
        answer = getattr(Client(), method)(ADDRESS)
        assert answer.status_code == 200
        # Without a referrer a browser says of a form that it comes from nowhere, and the press would be refused.
        assert (answer["Content-Language"], answer["Referrer-Policy"]) == ("pt", "same-origin")
    said = Client().get(ADDRESS).content.decode()
    assert "A faca de Wren 1, em Quay House, não está armada" in said and "Eu trato disto" in said
    sent.refresh_from_db()
    assert sent.acknowledged_at is None


def test_a_press_says_that_they_see_to_it_once(sent: Matter, clock: HeldClock) -> None:
    answer = Client().post(ADDRESS)
    assert (answer.status_code, answer["Location"]) == (302, ADDRESS)
    sent.refresh_from_db()
    assert (sent.acknowledged_at, sent.acknowledged_by) == (clock.at, "recipient:desk")
    assert "Alguém está a tratar disto" in Client().get(ADDRESS).content.decode()
    clock.sleep(60)
    Client().post(ADDRESS)
    assert Matter.objects.get().acknowledged_at == sent.acknowledged_at


def test_a_form_from_elsewhere_presses_nothing(sent: Matter) -> None:
    assert Client(enforce_csrf_checks=True).post(ADDRESS).status_code == 403
    assert Matter.objects.get().acknowledged_at is None


@pytest.mark.parametrize("address", [f"/see-to/{ID}/{'0' * 64}", f"/see-to/{'1' * 32}/{message_secret('1' * 32)}"])
def test_without_the_secret_there_is_nothing(sent: Matter, address: str) -> None:
    for method in ("get", "post"):
        assert getattr(Client(), method)(address).status_code == 404


def test_it_is_open_where_pages_are_closed(sent: Matter, settings: Any) -> None:
    settings.OPEN_PAGES = False
    assert Client().get(ADDRESS).status_code == 200


def test_who_was_taken_away_sees_nothing(sent: Matter) -> None:
    keep_recipients({"recipients": []})
    assert Client().get(ADDRESS).status_code == 404
