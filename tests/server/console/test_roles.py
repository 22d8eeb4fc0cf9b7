"""The forms on the pages by every role: the studio, curators of every venue or of one, readers, and nobody."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.contrib.auth.models import User
from django.http import HttpResponse
from django.test import Client

from scheduling.log.models import Event
from server import jobs
from server.accounts.models import PersonRole
from server.accounts.people import change_role, close_account
from server.accounts.principals import Grant
from tests.server.api.test_node_calls import work_of
from tests.server.console.test_decide import AS_USUAL
from tests.server.console.test_first_page import FORM
from tests.server.console.test_opening_changes import seen_in
from tests.server.console.test_service_windows import WEEKLY
from tests.server.studio import FAR_VENUE, OPENING, SERVICE_WINDOW, Caller, HeldClock

PAGES: dict[str, dict[str, Any]] = {
    "/openings/new": FORM | {"fix": "yes"},
    "/openings/first-night/change": {"name": "Late night", "by": "as-it-is", "version": "1"},
    "/openings/first-night/call-off": {"version": "1"},
    "/openings/second-night/take-back": {"version": "2"},
    "/venues/quay/hours": {"monday": "10:00-18:00"},
    "/venues/quay/quiet-hours": {"monday": "22:00-07:00"},
    "/venues/quay/service-windows/new": WEEKLY | {"fix": "yes"},
    "/service-windows/rounds/call-off": {"what": "date", "date": "2026-03-31", "off": "yes"},
    "/runs/spring/decide": AS_USUAL | {"kind": "skip"},
}


@pytest.fixture
def silent(node: Caller, furnished: Caller, clock: HeldClock) -> None:
    """Two venues; the machine of one was heard before its run began, and not since."""
    furnished.create("venues", FAR_VENUE)
    furnished.create("service-windows", SERVICE_WINDOW)
    furnished.create("openings", OPENING | {"id": "second-night"})
    furnished.post("openings/second-night/call-off", {}, HTTP_IF_MATCH="*")
    work_of(node)
    clock.at += timedelta(hours=9)
    jobs.watch()


def signed_in(standing: Grant | None) -> Client:
    """Somebody whose account has a role, or none."""
    person = User.objects.create_user("robin")
    if standing is not None:
        PersonRole.objects.create(person=person, role=standing.role, venues=standing.venues)
    client = Client()
    client.force_login(person)
    return client


def refused(answer: HttpResponse) -> str:
    """The sentence of a page that says no."""
    assert answer.status_code == 403
    page = answer.content.decode()
    assert "Not allowed" in page and "Traceback" not in page
    return page


@pytest.mark.parametrize("path", PAGES)
@pytest.mark.parametrize("standing", [Grant("studio"), Grant("curator"), Grant("curator", ("shed", "quay"))])
def test_who_may_does(silent: None, path: str, standing: Grant) -> None:
    client, events, body = signed_in(standing), Event.objects.count(), dict(PAGES[path])
    shown = client.get(path)
    assert shown.status_code == 200
    body |= {"seen": shown.context["seen"]} if "seen" in shown.context else {}
    if path.endswith(("/change", "hours")):  # only what was looked at is kept
        body["keep"] = seen_in(client.post(path, body).content.decode())
    assert client.post(path, body).status_code == 302
    assert Event.objects.count() == events + 1
    assert Event.objects.order_by("-position")[0].actor == f"user:{User.objects.get().pk}"


@pytest.mark.parametrize("path", PAGES)
@pytest.mark.parametrize("standing", [Grant("reader"), None])
def test_a_reader_and_an_account_without_a_role_only_look(silent: None, path: str, standing: Grant | None) -> None:
    client, events = signed_in(standing), Event.objects.count()
    for answer in (client.get(path), client.post(path, PAGES[path])):
        assert "Only the studio or a curator may do this, and you come in as a reader." in refused(answer)
    assert Event.objects.count() == events
    assert client.get("/").status_code == 200


@pytest.mark.parametrize("path", PAGES)
def test_nobody_is_asked_to_sign_in(silent: None, path: str) -> None:
    events = Event.objects.count()
    for answer in (Client().get(path), Client().post(path, PAGES[path])):
        assert (answer.status_code, answer["Location"]) == (302, f"/sign-in?next={path}")
    assert Event.objects.count() == events


@pytest.mark.parametrize("path", PAGES)
def test_a_curator_of_another_venue_is_told_so(silent: None, path: str) -> None:
    client, events = signed_in(Grant("curator", ("shed",))), Event.objects.count()
    said = "This is for the venue quay, and you come in as a curator of shed only."
    assert said in refused(client.post(path, PAGES[path]))
    assert Event.objects.count() == events


def test_a_curator_of_another_venue_hears_it_before_filling_in_a_form(silent: None) -> None:
    client = signed_in(Grant("curator", ("shed",)))
    for path in PAGES.keys() - {"/openings/new"}:
        refused(client.get(path))
    offered = client.get("/openings/new").content.decode()
    assert '<option value="shed">' in offered and '<option value="quay">' not in offered
    refused(client.post("/openings/new", FORM))  # to see what it means
    assert client.post("/openings/new", FORM | {"venue": "shed"}).status_code == 200


def test_another_role_counts_from_the_next_page_on(silent: None) -> None:
    client = signed_in(Grant("curator"))
    assert client.get("/venues/quay/hours").status_code == 200
    change_role("robin", Grant("curator", ("shed",)))
    refused(client.get("/venues/quay/hours"))
    close_account("robin")
    assert client.get("/venues/shed/hours").status_code == 302


def test_a_form_from_elsewhere_is_still_called_that(silent: None) -> None:
    client = Client(enforce_csrf_checks=True)
    client.force_login(User.objects.create_superuser("keeper"))
    assert "The form was not from this server" in refused(client.post("/venues/quay/hours", {}))
