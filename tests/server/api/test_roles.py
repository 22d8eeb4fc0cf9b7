"""Every command of the API by every role; and a curator who is bound to some venues."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.contrib.auth.models import User
from django.http import HttpResponse
from rest_framework.permissions import AllowAny

from machines.serialization import unstructure
from scheduling.commands.handlers import HANDLERS
from scheduling.log.beside_telling import keep_matters, keep_recipients
from scheduling.log.models import Event, Matter, Outage
from scheduling.telling.amiss import Amiss
from server import jobs, wiring
from server.accounts import keys
from server.accounts.attempt_limit import MOST_WRONG
from server.accounts.authentication import HasKey, IsNode
from server.accounts.models import EnrolmentCode, Key
from server.accounts.principals import ROLES, Grant, Role
from server.accounts.roles import MAY_GIVE, roles_for
from server.accounts.tokens import prefix_of
from server.api.base_views import ApiView
from server.urls import urlpatterns
from tests.scheduling.rendering.test_render import grey_png
from tests.server.api.test_bad_input import problem
from tests.server.api.test_contacts import BODY as CONTACTS
from tests.server.api.test_hours import HOURS
from tests.server.api.test_override import SKIP, replaying
from tests.server.api.test_quiet_hours import QUIET
from tests.server.conftest import enrol
from tests.server.keys import events as events_told
from tests.server.keys import new_key
from tests.server.studio import (
    FAR_VENUE,
    IN_ORDER,
    MACHINE,
    OPENING,
    PROFILE,
    RUN,
    SERVICE_WINDOW,
    SOURCE,
    VENUE,
    Caller,
    HeldClock,
)

__all__ = ["replaying"]  # a fixture

STUDIO, CURATOR = ("studio",), ("studio", "curator")
RECIPIENTS = {"recipients": [{"id": "desk", "role": "studio", "email": "desk@quay.example"}]}
Order = Callable[[Caller], HttpResponse]
AN_OUTAGE = {"starts_at": "2026-03-24T18:00:00Z", "ends_at": "2026-03-24T20:00:00Z"}
SOUGHT = {
    "run": RUN | {"id": "sought", "ends_at": "2026-03-28T12:00:00Z"},
    "earliest": "2026-03-24T12:00:00Z",
    "latest": "2026-03-24T18:00:00Z",
    "wishes": [{"kind": "strip-falls", "at": "2026-03-26T18:00:00Z"}],
}
LATER = {"starts_at": "2026-03-24T12:00:00.000000Z", "ends_at": "2026-03-25T12:00:00.000000Z"}


def decide_on_the_outage(caller: Caller) -> HttpResponse:
    return caller.post(f"outages/{Outage.objects.get().id}/override", SKIP)


def call_off_what_was_fixed(caller: Caller) -> HttpResponse:
    caller.post("service-windows", SERVICE_WINDOW | {"id": "visit"})
    return caller.post("service-windows/visit/call-off", {})


def take_back_what_was_fixed(caller: Caller) -> HttpResponse:
    caller.post("service-windows", SERVICE_WINDOW | {"id": "visit"})
    return caller.post("service-windows/visit/take-back", {}, **ANY)


def rename_the_window(caller: Caller) -> HttpResponse:
    caller.post("service-windows", SERVICE_WINDOW | {"id": "visit"})
    return rename(caller, "service-windows/visit")


def tell_somebody_for_a_test(caller: Caller) -> HttpResponse:
    keep_recipients(RECIPIENTS)
    return caller.post("recipients/desk/test")


def see_to_a_matter(caller: Caller) -> HttpResponse:
    at = wiring.now()
    part = Amiss(kind="knife", since=at, venue="quay", machine="wren-1")
    parts = {part.key: unstructure(part)}  # never none: the server that is attacked goes on to look at it
    keep_matters([Matter(id="a", kind="knife", venue="quay", parts=parts, began_at=at, told_from=at)], [])
    return caller.post("matters/a/acknowledge")


def somebody() -> int:
    return User.objects.get_or_create(username="robin")[0].pk


def another_address_for_somebody(caller: Caller) -> HttpResponse:
    return caller.post(f"people/{somebody()}/calendar/address?accept=true", {})


def remind_somebody(caller: Caller) -> HttpResponse:
    alarms = {"alarms": [{"kind": "opening", "before_min": 60}]}
    return caller.put(f"people/{somebody()}/calendar", alarms, **ANY)


def fix_a_series(caller: Caller) -> HttpResponse:
    anchor = {"event": "sunset", "date": "2026-03-22"}
    series = {"name": "Sundays", "venues": ["quay"], "anchor": anchor, "rule": "FREQ=WEEKLY;COUNT=2"}
    return caller.post("opening-series", {"id": "sundays"} | series)


def rename_the_series(caller: Caller) -> HttpResponse:
    fix_a_series(caller)
    return rename(caller, "opening-series/sundays")


def act_on_the_series(caller: Caller, act: str) -> HttpResponse:
    fix_a_series(caller)
    return caller.post(f"opening-series/sundays/{act}", {}, **ANY)


def retire_a_venue(caller: Caller) -> HttpResponse:
    caller.post("venues", FAR_VENUE)
    where = "shed" if caller.get("venues/shed").status_code == 200 else "quay"  # some roles may add none, either
    return caller.post(f"venues/{where}/retire", {}, **ANY)


def retire_a_machine(caller: Caller) -> HttpResponse:
    caller.post("machines", MACHINE | {"id": "wren-2"})
    which = "wren-2" if caller.get("machines/wren-2").status_code == 200 else "wren-1"
    return caller.post(f"machines/{which}/retire", {}, **ANY)


def follow_the_run(caller: Caller) -> HttpResponse:
    body = {"id": "after", "at": "2026-03-26T18:00:00Z", "boundary": "burst"}
    return caller.post("runs/next/succeed?accept=true", body, **ANY)


def rename(caller: Caller, path: str, body: Any = None) -> HttpResponse:
    said = json.dumps(body or {"name": "Another name"})
    return caller.other("PATCH", path, data=said, content_type="application/json", **ANY)


def revoke_somebodys_key(caller: Caller) -> HttpResponse:
    made = keys.keep_key(f"of test {Key.objects.count()}", Grant("reader"), wiring.now(), made_by="terminal")
    return caller.post(f"keys/{made.prefix}/revoke")


ANY = {"HTTP_IF_MATCH": "*"}
# By address and method: an order that is good while an outage is open, and who may give it, as the studio wants it.
COMMANDS_GIVEN: dict[tuple[str, str], tuple[Order, tuple[str, ...]]] = {
    ("venues", "post"): (lambda caller: caller.post("venues", FAR_VENUE), STUDIO),
    ("venue", "patch"): (lambda caller: rename(caller, "venues/quay"), STUDIO),
    ("venue-retire", "post"): (retire_a_venue, STUDIO),
    ("venue-take-back", "post"): (lambda caller: caller.post("venues/quay/take-back", {}, **ANY), STUDIO),
    ("profiles", "post"): (lambda caller: caller.post("profiles", PROFILE | {"id": "wren-b"}), STUDIO),
    ("machines", "post"): (lambda caller: caller.post("machines", MACHINE | {"id": "wren-2"}), STUDIO),
    ("machine", "patch"): (lambda caller: rename(caller, "machines/wren-1"), STUDIO),
    ("machine-retire", "post"): (retire_a_machine, STUDIO),
    ("machine-take-back", "post"): (lambda caller: caller.post("machines/wren-1/take-back", {}, **ANY), STUDIO),
    ("sources", "post"): (lambda caller: caller.post("sources", SOURCE | {"id": "land-b"}), STUDIO),
    ("uploads", "post"): (lambda caller: caller.post("uploads", grey_png(), content_type="image/png"), STUDIO),
    ("profile", "patch"): (lambda caller: rename(caller, "profiles/wren", {"profile": {"name": "B"}}), STUDIO),
    ("profile-retire", "post"): (lambda caller: caller.post("profiles/wren/retire", {}, **ANY), STUDIO),
    ("profile-take-back", "post"): (lambda caller: caller.post("profiles/wren/take-back", {}, **ANY), STUDIO),
    ("source", "patch"): (lambda caller: rename(caller, "sources/land"), STUDIO),
    ("source-retire", "post"): (lambda caller: caller.post("sources/land/retire", {}, **ANY), STUDIO),
    ("source-take-back", "post"): (lambda caller: caller.post("sources/land/take-back", {}, **ANY), STUDIO),
    ("runs", "post"): (lambda caller: caller.post("runs", RUN | LATER | {"id": "later"}), STUDIO),
    ("machine-calibration", "put"): (lambda caller: caller.put("machines/wren-1/calibration", {}), STUDIO),
    ("machine-enrolment", "post"): (lambda caller: caller.post("machines/wren-1/enrolment"), STUDIO),
    ("machine-enrolment-cancel", "post"): (lambda caller: caller.post("machines/wren-1/enrolment/cancel"), STUDIO),
    ("machine-board-revoke", "post"): (lambda caller: caller.post("machines/wren-1/board/revoke"), STUDIO),
    ("key-revoke", "post"): (revoke_somebodys_key, STUDIO),
    ("openings", "post"): (lambda caller: caller.post("openings", OPENING | {"id": "second-night"}), CURATOR),
    ("opening", "patch"): (lambda caller: rename(caller, "openings/first-night"), CURATOR),
    ("opening-call-off", "post"): (lambda caller: caller.post("openings/first-night/call-off", {}, **ANY), CURATOR),
    ("opening-take-back", "post"): (lambda caller: caller.post("openings/first-night/take-back", {}, **ANY), CURATOR),
    ("all-opening-series", "post"): (fix_a_series, CURATOR),
    ("opening-series", "patch"): (rename_the_series, CURATOR),
    ("opening-series-call-off", "post"): (lambda caller: act_on_the_series(caller, "call-off"), CURATOR),
    ("opening-series-take-back", "post"): (lambda caller: act_on_the_series(caller, "take-back"), CURATOR),
    ("service-windows", "post"): (lambda caller: caller.post("service-windows", SERVICE_WINDOW), CURATOR),
    ("service-window", "patch"): (rename_the_window, CURATOR),
    ("service-window-call-off", "post"): (call_off_what_was_fixed, CURATOR),
    ("service-window-take-back", "post"): (take_back_what_was_fixed, CURATOR),
    ("run-checks", "post"): (lambda caller: caller.post("run-checks", RUN | LATER | {"id": "later"}), STUDIO),
    ("run-searches", "post"): (lambda caller: caller.post("run-searches", SOUGHT), STUDIO),
    ("policy-checks", "post"): (
        lambda caller: caller.post("policy-checks", {"run": RUN | LATER | {"id": "later"}, "outage": AN_OUTAGE}),
        STUDIO,
    ),
    ("venue-hours", "put"): (lambda caller: caller.put("venues/quay/hours?accept=true", HOURS), CURATOR),
    ("venue-contacts", "put"): (lambda caller: caller.put("venues/quay/contacts", CONTACTS), CURATOR),
    ("venue-quiet-hours", "put"): (lambda caller: caller.put("venues/quay/quiet-hours?accept=true", QUIET), CURATOR),
    ("recipients", "put"): (lambda caller: caller.put("recipients?accept=true", RECIPIENTS), STUDIO),
    ("venue-calendar-address", "post"): (
        lambda caller: caller.post("venues/quay/calendar/address?accept=true", {}),
        CURATOR,
    ),
    ("studio-calendar-address", "post"): (
        lambda caller: caller.post("studio/calendar/address?accept=true", {}),
        STUDIO,
    ),
    ("person-calendar-address", "post"): (another_address_for_somebody, STUDIO),
    ("person-calendar-wishes", "put"): (remind_somebody, STUDIO),
    ("recipient-test", "post"): (tell_somebody_for_a_test, STUDIO),
    ("matter-acknowledge", "post"): (see_to_a_matter, CURATOR),
    ("run-end", "post"): (
        lambda caller: caller.post("runs/spring/end?accept=true", {"boundary": "turn"}, **ANY),
        CURATOR,
    ),
    ("run-succeed", "post"): (follow_the_run, STUDIO),
    ("run", "patch"): (lambda caller: rename(caller, "runs/next?accept=true", {"nozzle_seed": 11}), STUDIO),
    ("run-hold", "post"): (lambda caller: caller.post("runs/spring/hold?accept=true", {}, **ANY), CURATOR),
    ("run-continue", "post"): (lambda caller: caller.post("runs/spring/continue", {}, **ANY), CURATOR),
    ("run-withdraw", "post"): (lambda caller: caller.post("runs/next/withdraw", {}, **ANY), CURATOR),
    ("run-override", "post"): (lambda caller: caller.post("runs/spring/override", SKIP), CURATOR),
    ("outage-override", "post"): (decide_on_the_outage, CURATOR),
}
API: Any = urlpatterns[0]
MACHINES_OWN = {("node-enrol", "post"), ("node-reports", "post")}


def doors() -> dict[tuple[str, str], ApiView]:
    """Every call that may change something, by the name of its address and its method."""
    found = {}
    for pattern in API.url_patterns:
        view: Any = getattr(pattern.callback, "cls", None)
        for method in ("post", "put", "patch", "delete"):
            if hasattr(view, method):
                found[str(pattern.name), method] = view(**pattern.callback.initkwargs)
    return found


def key_of(role: Role, *venues: str) -> Caller:
    """Somebody with a new key."""
    return Caller(new_key(f"{role} of {venues}", Grant(role, venues or None)))


def test_there_is_a_decision_for_every_call_that_changes_something() -> None:
    assert set(doors()) == set(COMMANDS_GIVEN) | MACHINES_OWN


@pytest.fixture
def run_to_come(replaying: Caller) -> Caller:
    """Beside the run of which something is open, another that has not begun."""
    days = {"starts_at": "2026-03-26T12:00:00.000000Z", "ends_at": "2026-03-27T12:00:00.000000Z"}
    replaying.create("runs", RUN | days | {"id": "next"})
    return replaying


@pytest.mark.parametrize("which", COMMANDS_GIVEN)
def test_the_table_says_who_may(which: tuple[str, str]) -> None:
    door: Any = doors()[which]
    assert isinstance(door, ApiView) and door.permission_classes == [HasKey]
    assert door.command in MAY_GIVE
    assert MAY_GIVE[door.command] == COMMANDS_GIVEN[which][1]


@pytest.mark.parametrize("which", MACHINES_OWN)
def test_what_nodes_tell_is_asked_of_no_role(which: tuple[str, str]) -> None:
    (permission,) = doors()[which].permission_classes
    assert permission in (IsNode, AllowAny)


def test_a_new_command_is_the_studios_until_it_is_decided() -> None:
    assert set(HANDLERS) <= set(MAY_GIVE)
    assert roles_for(None) == roles_for(lambda: None) == STUDIO


@pytest.mark.parametrize("role", ROLES)
@pytest.mark.parametrize("which", COMMANDS_GIVEN)
def test_every_role_gives_its_commands_and_no_others(run_to_come: Caller, which: tuple[str, str], role: Role) -> None:
    order, may = COMMANDS_GIVEN[which]
    caller, codes = key_of(role), EnrolmentCode.objects.count()
    order(Caller())  # whatever has to be there first
    events = events_told().count()
    answer = order(caller)
    if role in may:
        assert answer.status_code in (200, 201, 202), answer.content
        return
    told = problem(answer, 403)
    assert (told["type"], told["needed"], told["role"]) == ("/api/v1/problems/role-needed", list(may), role)
    assert "Only the studio" in told["detail"] and role in told["detail"]
    assert (events_told().count(), EnrolmentCode.objects.count()) == (events, codes)


@pytest.mark.parametrize("which", COMMANDS_GIVEN)
def test_nobody_and_no_node_gives_any(run_to_come: Caller, node: Caller, which: tuple[str, str]) -> None:
    order, _ = COMMANDS_GIVEN[which]
    order(Caller())
    events = events_told().count()
    assert problem(order(Caller()), 401)["type"] == "about:blank"
    assert problem(order(node), 403)["type"] == "about:blank"
    assert events_told().count() == events


@pytest.mark.parametrize("role", ROLES)
def test_every_role_reads_everything(furnished: Caller, role: Role) -> None:
    caller = key_of(role)
    for resource, body in IN_ORDER:
        for path in (resource, f"{resource}/{body['id']}"):
            assert caller.get(path).json() == furnished.get(path).json()
    assert caller.get("events").status_code == 200
    assert caller.get("node/work").status_code == 403


def test_a_role_that_this_version_does_not_know_only_looks(studio: Caller) -> None:
    caller = key_of("curator")
    Key.objects.filter(name="curator of ()").update(role="archivist")
    assert caller.get("venues").status_code == 200
    assert problem(caller.post("openings", OPENING), 403)["role"] == "reader"


def test_who_may_not_order_leaves_a_line(studio: Caller, caplog: pytest.LogCaptureFixture) -> None:
    reader = key_of("reader")
    refused = reader.post("venues", {})
    said = f"request {refused['X-Request-Id']}: {prefix_of(str(reader.token))} is refused: Only the studio may do this"
    assert [one.getMessage().startswith(said) for one in caplog.records if "is refused" in one.message] == [True]


def test_who_may_not_order_is_told_so_before_the_body_is_looked_at(studio: Caller) -> None:
    reader = key_of("reader")
    assert reader.post("openings", b"{").status_code == 403
    assert key_of("curator").post("openings", b"{").status_code == 400
    assert reader.other("DELETE", "openings").status_code == 405


def test_a_curators_word_stands_in_the_log_under_the_key(furnished: Caller) -> None:
    curator = key_of("curator")
    curator.create("openings", OPENING | {"id": "second-night"})
    event = Event.objects.get(stream="opening/second-night")
    assert curator.token is not None and curator.token.startswith("curator_")
    assert event.actor == "_".join(curator.token.split("_")[:2])
    assert "curator of ()" not in json.dumps(event.data)


@pytest.fixture
def two_venues(furnished: Caller, clock: HeldClock) -> Caller:
    """A machine at the quay and one in the shed, each on a run and silent."""
    furnished.create("venues", FAR_VENUE)
    furnished.create("machines", MACHINE | {"id": "wren-2", "venue": "shed"})
    furnished.create("runs", RUN | {"id": "far", "machine": "wren-2"})
    jobs.extend()
    for machine in ("wren-1", "wren-2"):
        assert Caller(str(enrol(furnished, machine)["token"])).get("node/work").status_code == 200
    clock.at += timedelta(hours=9)
    jobs.watch()
    return furnished


@pytest.mark.parametrize(
    ("own", "elsewhere"),
    [
        (
            lambda caller: caller.post("openings", OPENING | {"id": "own"}),
            lambda caller: caller.post("openings", OPENING | {"id": "other", "venue": "shed"}),
        ),
        (
            lambda caller: caller.put("venues/quay/hours?accept=true", HOURS),
            lambda caller: caller.put("venues/shed/hours", HOURS),
        ),
        (
            lambda caller: caller.post("runs/spring/override", SKIP),
            lambda caller: caller.post("runs/far/override", SKIP),
        ),
    ],
)
def test_a_curator_of_one_venue_changes_nothing_at_another(two_venues: Caller, own: Order, elsewhere: Order) -> None:
    curator, events = key_of("curator", "quay"), Event.objects.count()
    told = problem(elsewhere(curator), 403)
    assert (told["type"], told["needed"]) == ("/api/v1/problems/role-needed", ["studio", "curator"])
    assert told["venues"] == ["quay"]
    assert told["detail"] == "This is for the venue shed, and you come in as a curator of quay only."
    assert Event.objects.count() == events
    assert own(curator).status_code in (200, 201)
    assert elsewhere(key_of("curator", "quay", "shed")).status_code in (200, 201)
    assert curator.get("venues/shed").status_code == 200


def test_an_outage_at_another_venue_is_not_a_curators(replaying: Caller) -> None:
    assert problem(decide_on_the_outage(key_of("curator", "shed")), 403)["venues"] == ["shed"]
    assert decide_on_the_outage(key_of("curator", "quay")).status_code == 201


@pytest.mark.parametrize("role", ROLES)
def test_a_revoked_key_opens_nothing(studio: Caller, role: Role) -> None:
    caller = key_of(role)
    assert caller.get("venues").status_code == 200
    keys.revoke_key(prefix_of(str(caller.token)), wiring.now())
    assert problem(caller.get("venues"), 401)
    assert problem(caller.post("openings", OPENING), 401)


def test_refusals_are_not_counted_as_wrong_tries_and_wrong_keys_still_are(
    studio: Caller, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(MOST_WRONG, "key", 3)
    curator = key_of("curator")
    assert curator.token is not None
    for _ in range(MOST_WRONG["key"] + 1):
        assert curator.post("venues", VENUE).status_code == 403
    guess = Caller(curator.token[:-1] + ("A" if curator.token[-1] != "A" else "B"))
    assert [guess.get("venues").status_code for _ in range(MOST_WRONG["key"] + 1)] == [401, 401, 401, 429]
    assert curator.get("venues").status_code == 200


@pytest.fixture
def description(db: None) -> dict[str, Any]:
    return dict(json.loads(Caller().get("schema").content))


def test_the_description_says_403_where_it_can_come(description: dict[str, Any]) -> None:
    for path, operations in description["paths"].items():
        for method, operation in operations.items():
            comes_in = [name for scheme in operation["security"] for name in scheme]
            assert ("403" in operation["responses"]) == (len(comes_in) == 1), (method, path)


@pytest.mark.parametrize("which", COMMANDS_GIVEN)
def test_the_description_says_who_may(description: dict[str, Any], which: tuple[str, str]) -> None:
    (route,) = [str(pattern.pattern) for pattern in API.url_patterns if pattern.name == which[0]]
    path = f"/api/v1/{re.sub('<(id|int):pk>', '{id}', route).replace('<prefix:prefix>', '{prefix}')}"
    said = description["paths"][path][which[1]]["responses"]["403"]["description"]
    assert ("only the studio or a curator may" in said) == (COMMANDS_GIVEN[which][1] == CURATOR)
    assert "only the studio" in said


def test_the_problem_is_explained(db: None) -> None:
    told = Caller().get("problems/role-needed").json()
    assert told["status"] == 403
    assert "`needed`" in told["meaning"]
