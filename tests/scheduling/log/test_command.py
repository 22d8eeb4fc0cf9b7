"""`dayroll log`, as a person at the terminal sees it."""

from __future__ import annotations

from io import StringIO

import pytest
from django.core.management import CommandError, call_command
from django.db import connections

from scheduling.log import models
from scheduling.log.integrity import append_only
from tests.scheduling.log.facts import ONE_OF_EACH, say

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def a_log() -> None:
    for stream, event in ONE_OF_EACH:
        say(stream, event)


def log(*arguments: str) -> str:
    out = StringIO()
    call_command("log", *arguments, stdout=out, stderr=StringIO())
    return out.getvalue()


def test_verify() -> None:
    streams = {stream for stream, _ in ONE_OF_EACH}
    assert log("verify") == f"{len(ONE_OF_EACH)} events in {len(streams)} streams, every link holds.\n"


def test_verify_names_the_first_broken_link() -> None:
    append_only.lift(connections["default"])
    first = models.Event.objects.get(kind="node-started").position
    models.Event.objects.filter(position__gte=first).update(actor="account-2")
    with pytest.raises(CommandError, match=rf"event {first} \(machine/left version 6, node-started\): it was changed"):
        log("verify")


def test_rebuild() -> None:
    lines = log("rebuild").splitlines()
    assert [line.split()[0] for line in lines][:2] == ["venues", "profiles"]
    assert all(line.endswith("equal") for line in lines)


def test_rebuild_says_what_differed_and_puts_it_right() -> None:
    models.Machine.objects.update(epoch=7)
    out = StringIO()
    with pytest.raises(CommandError, match="were not what the log says"):
        call_command("log", "rebuild", "--compare-only", stdout=out)
    assert "1 rows of log_machine differ, such as ('left',)" in out.getvalue()
    assert models.Machine.objects.get().epoch == 7
    with pytest.raises(CommandError):
        log("rebuild", "--view", "machines")
    assert models.Machine.objects.get().epoch == 1
    assert "equal" in log("rebuild", "--view", "machines")


def test_seal() -> None:
    assert log("seal") == "It was sealed already.\n"
    append_only.lift(connections["default"])
    assert "log_event_no_delete" in log("seal")
    assert append_only.missing(connections["default"]) == []


def test_no_action_is_an_error() -> None:
    with pytest.raises(CommandError, match="the following arguments are required: action"):
        call_command("log")
