"""The very same order given again, as its answer was lost, is carried out once and answered as the first."""

from __future__ import annotations

import threading
from dataclasses import replace
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from django.db import connections

from scheduling.commands.additions import AddSource
from scheduling.commands.checked import Checked
from scheduling.commands.handlers import HANDLERS
from scheduling.commands.plan_run import PlanRun
from scheduling.log.integrity import append_only
from scheduling.log.integrity.archive import close_streams
from scheduling.log.integrity.transfer import export_log, import_log
from scheduling.log.models import Event, GivenCommand, Venue
from server import wiring
from server.accounts.at_terminal import at_the_terminal
from tests.server.api.test_bad_input import problem
from tests.server.api.test_changed_resources import patch
from tests.server.keys import new_key
from tests.server.studio import FAR_VENUE, IN_ORDER, SERVICE_WINDOW, VENUE, Caller, HeldClock

EVERYTHING = (*IN_ORDER, ("service-windows", SERVICE_WINDOW))


def test_everything_that_is_made_can_be_ordered_again(studio: Caller, clock: HeldClock) -> None:
    for resource, body in EVERYTHING:
        first = studio.post(resource, body)
        events = Event.objects.count()
        again = studio.post(resource, dict(reversed(body.items())))  # another order of members is no other order
        assert first.status_code == again.status_code == 201, again.content
        assert (again.json(), again["Location"]) == (first.json(), first["Location"])
        assert Event.objects.count() == events, resource
    assert GivenCommand.objects.count() == len(EVERYTHING)


def test_what_is_filled_in_by_default_may_be_said(studio: Caller) -> None:
    resource, body = IN_ORDER[0]
    without = {name: value for name, value in body.items() if name != "elevation_m"}
    assert studio.post(resource, without).status_code == 201
    assert studio.post(resource, without | {"elevation_m": 0}).status_code == 201
    assert problem(studio.post(resource, without | {"elevation_m": 1}), 409)["type"] == "/api/v1/problems/taken"


def test_of_somebody_else_it_is_another_order(studio: Caller) -> None:
    resource, body = IN_ORDER[0]
    assert studio.post(resource, body).status_code == 201
    other = Caller(new_key("another"))
    assert problem(other.post(resource, body), 409)["type"] == "/api/v1/problems/taken"


def test_without_the_memory_the_id_is_in_use(studio: Caller) -> None:
    """As after an import, which has the facts alone."""
    resource, body = IN_ORDER[0]
    assert studio.post(resource, body).status_code == 201
    GivenCommand.objects.all().delete()
    assert problem(studio.post(resource, body), 409)["type"] == "/api/v1/problems/taken"


def test_a_refused_order_is_not_remembered(studio: Caller) -> None:
    resource, body = IN_ORDER[2]
    assert problem(studio.post(resource, body), 422)
    assert not GivenCommand.objects.exists()


def test_of_what_was_closed_into_an_archive_it_is_refused(studio: Caller, tmp_path: Path) -> None:
    resource, body = IN_ORDER[0]
    assert studio.post(resource, body).status_code == 201
    stream = f"venue/{body['id']}"
    remembered = GivenCommand.objects.get()
    close_streams([stream], tmp_path / "old.jsonl", at_the_terminal(), key=None)
    assert not GivenCommand.objects.exists()
    for _ in range(2):
        assert "was closed into an archive" in str(problem(studio.post(resource, body), 422))
        remembered.save(force_insert=not GivenCommand.objects.exists())  # by a program that did not forget it


def test_orders_to_change_what_was_closed_are_forgotten_and_no_others(studio: Caller, tmp_path: Path) -> None:
    for body in (VENUE, FAR_VENUE | {"id": "quay-2"}):
        studio.create("venues", body)
        patch(studio, f"venues/{body['id']}", {"name": "The House"}, HTTP_IDEMPOTENCY_KEY="mine")
    close_streams(["venue/quay"], tmp_path / "old.jsonl", at_the_terminal(), key=None)
    assert {*GivenCommand.objects.values_list("stream", flat=True)} == {"venue/quay-2", "venue/quay-2 mine"}


def test_of_what_is_not_in_the_log_any_more_it_is_carried_out(studio: Caller) -> None:
    resource, body = IN_ORDER[0]
    assert studio.post(resource, body).status_code == 201
    append_only.lift(connections["default"])
    Event.objects.filter(stream=f"venue/{body['id']}").delete()
    append_only.apply(connections["default"])
    Venue.objects.all().delete()
    assert studio.post(resource, body).status_code == 201
    assert Venue.objects.get().id == body["id"]


def test_after_an_import_it_is_the_imported_logs(studio: Caller) -> None:
    """Whatever was ordered in the log that was here before."""
    resource, body = IN_ORDER[0]
    assert studio.post(resource, body).status_code == 201
    out = StringIO()
    export_log(out, made_at=wiring.now(), key=None)
    append_only.lift(connections["default"])
    Event.objects.all().delete()
    append_only.apply(connections["default"])
    import_log(out.getvalue().splitlines())
    assert problem(studio.post(resource, body), 409)["type"] == "/api/v1/problems/taken"


@pytest.mark.django_db(transaction=True)
def test_two_at_once_are_one(studio: Caller) -> None:
    resource, body = IN_ORDER[0]
    together, answers = threading.Barrier(4), []

    def order() -> None:
        together.wait()
        answers.append(Caller(studio.token).post(resource, body).status_code)
        connections.close_all()

    threads = [threading.Thread(target=order) for _ in range(4)]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    assert answers == [201] * 4
    assert Event.objects.filter(stream=f"venue/{body['id']}").count() == 1


def test_who_gives_it_again_just_before_it_is_carried_out_is_answered_as_the_first(
    studio: Caller, clock: HeldClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The machine has a run by then: this one."""
    for resource, body in IN_ORDER:
        if resource == "runs":
            break
        studio.create(resource, body)
    right, first = HANDLERS[PlanRun], []

    def held_up(command: PlanRun) -> Any:
        monkeypatch.setitem(HANDLERS, PlanRun, right)
        first.append(studio.post(resource, body))
        return right[1](command)

    monkeypatch.setitem(HANDLERS, PlanRun, (right[0], held_up))
    again = studio.post(resource, body)
    assert [one.status_code for one in first] == [again.status_code] == [201], again.content
    assert again.json() == first[0].json()
    assert problem(studio.post(resource, body | {"id": "other"}), 422)["field"] == "starts_at"


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("kind", [AddSource, PlanRun])
def test_while_a_picture_is_looked_at_others_write(
    studio: Caller, clock: HeldClock, monkeypatch: pytest.MonkeyPatch, kind: type[Any]
) -> None:
    """On SQLite nobody else can within a transaction, and a large file takes seconds."""
    (name, check), answers = HANDLERS[kind], []

    def write() -> None:
        answers.append(Caller(studio.token).post("venues", FAR_VENUE).status_code)
        connections.close_all()

    def seen_meanwhile(command: Any) -> Checked:
        checked = check(command)

        def see(uploads: Any) -> None:
            other = threading.Thread(target=write)
            other.start()
            other.join()
            checked.see(uploads)

        return replace(checked, see=see)

    monkeypatch.setitem(HANDLERS, kind, (name, seen_meanwhile))
    for resource, body in IN_ORDER:
        studio.create(resource, body)
    assert answers == [201]
