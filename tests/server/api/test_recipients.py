"""Who is told: said as everything else is, for the studio alone, and kept so that it can be taken away for good."""

from __future__ import annotations

import io
from typing import Any

import pytest

from scheduling.log.beside_telling import keep_recipients
from scheduling.log.integrity.transfer import export_log
from scheduling.log.models import Event, Recipients
from server.accounts.principals import Grant
from tests.server.api.test_bad_input import problem
from tests.server.keys import new_key
from tests.server.studio import BEGINS, VENUE, Caller

DESK = {"id": "desk", "role": "studio", "email": "desk@quay.example"}
BODY: dict[str, Any] = {"recipients": [DESK]}


@pytest.fixture
def quay(studio: Caller) -> Caller:
    studio.create("venues", VENUE)
    return studio


def test_they_are_said_and_stand_so(quay: Caller, settings: Any) -> None:
    settings.SENDS_MAIL = settings.HAS_ADDRESS = True
    assert quay.get("recipients").json() is None
    answer = quay.put("recipients", BODY | {"reason": "the desk has another address"})
    assert answer.status_code == 200, answer.content
    (shown,) = quay.get("recipients").json()["recipients"]
    assert shown | DESK == shown and shown["after_min"] == 0 and shown["on_call"] is None
    assert answer["ETag"] == quay.get("recipients")["ETag"]
    assert Event.objects.filter(kind="recipients-set", stream="telling/house").count() == 1
    assert quay.put("recipients", BODY).status_code == 200
    assert Event.objects.filter(kind="recipients-set").count() == 1  # it was so already


def test_nobody_in_place_of_nobody_is_answered_with_nobody(quay: Caller) -> None:
    answer = quay.put("recipients", {"recipients": []})
    assert (answer.status_code, answer.json()) == (200, {"recipients": []})


def test_what_follows_is_told_first_and_nothing_is_written(quay: Caller, settings: Any) -> None:
    settings.HAS_ADDRESS = True
    found = quay.put("recipients?preview=true", BODY).json()
    assert [one["field"] for one in found["fields"]] == ["recipients.desk"]
    assert found["in_words"] == ["desk is told of what is amiss from now on, also of what is amiss already."]
    assert [one["kind"] for one in found["warnings"]] == ["no-mail"]
    assert not Recipients.objects.exists()
    refused = problem(quay.put("recipients", BODY), 409)
    assert "no mail server" in refused["detail"]
    quay.put("recipients?accept=true", BODY)
    found = quay.put("recipients?preview=true", {"recipients": []}).json()
    assert found["in_words"] == [
        "desk is told nothing more. Nothing of them is kept; what was sent names them no more."
    ]
    assert [one["kind"] for one in found["warnings"]] == ["gaps"]


def test_nothing_is_replaced_that_was_not_seen(quay: Caller) -> None:
    tag = quay.get("recipients")["ETag"]
    assert quay.put("recipients", BODY, HTTP_IF_MATCH="").status_code == 428
    assert quay.put("recipients?accept=true", BODY, HTTP_IF_MATCH=tag).status_code == 200
    assert quay.put("recipients?accept=true", {"recipients": []}, HTTP_IF_MATCH=tag).status_code == 412


def test_a_venue_must_be_one(quay: Caller) -> None:
    told = problem(quay.put("recipients?accept=true", {"recipients": [DESK | {"venues": ["nowhere"]}]}), 422)
    assert told["field"] == "venue"


def test_without_an_address_of_its_own_what_is_told_leads_nowhere(quay: Caller, settings: Any) -> None:
    settings.SENDS_MAIL = True
    (warning,) = quay.put("recipients?preview=true", BODY).json()["warnings"]
    assert warning["kind"] == "no-address" and "DAYROLL_ADDRESS" in warning["in_words"]


def test_a_venue_that_somebody_is_told_of_already_stays_whatever_became_of_it(quay: Caller) -> None:
    keep_recipients({"recipients": [DESK | {"venues": ["bygone"]}]})
    answer = quay.put("recipients?accept=true", {"recipients": [DESK | {"venues": ["bygone"], "after_min": 5}]})
    assert answer.status_code == 200, answer.content
    found = quay.put("recipients?preview=true", BODY).json()
    assert found["in_words"][-1] == "desk is told of every venue, no longer of some only."


def test_nothing_of_people_is_in_the_log_and_who_is_taken_away_is_gone(quay: Caller) -> None:
    quay.put("recipients?accept=true", {"recipients": [DESK | {"name": "Ada Example"}]})
    quay.put("recipients?accept=true", {"recipients": []})
    exported = io.StringIO()
    export_log(exported, made_at=BEGINS, key=None)
    assert "recipients-set" in exported.getvalue()
    for word in ("desk@quay.example", "Ada Example"):
        assert word not in exported.getvalue()
    assert "Ada" not in str(list(Recipients.objects.values()))


@pytest.mark.parametrize("address", ["recipients", "recipients/pager/secret", "messages"])
@pytest.mark.parametrize("role", ["curator", "reader"])
def test_names_and_addresses_are_the_studios_to_read(quay: Caller, address: str, role: Any) -> None:
    assert problem(Caller(new_key(role, Grant(role))).get(address), 403)["needed"] == ["studio"]


def test_only_a_webhook_has_a_secret(quay: Caller) -> None:
    quay.put("recipients?accept=true", BODY)
    assert quay.get("recipients/desk/secret").status_code == 404
    hook = {"id": "pager", "role": "technician", "webhook": "https://pager.example/hook"}
    quay.put("recipients?accept=true", {"recipients": [DESK, hook]})
    first = quay.get("recipients/pager/secret").json()["secret"]
    assert first.startswith("whsec_")
    quay.put("recipients?accept=true", {"recipients": [DESK, hook | {"secret_number": 2}]})
    assert quay.get("recipients/pager/secret").json()["secret"] != first
