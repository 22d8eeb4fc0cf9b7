"""`dayroll told`: who is told, looked at first; what was sent; a test; and that somebody sees to a matter."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import pytest
from django.core.management import call_command
from django.core.management.base import CommandError
from django.db.models import F

from scheduling.log.models import Matter, Message, Recipients
from server.accounts.message_secrets import hook_secret
from tests.server.every_page import one_of_what_is_told
from tests.server.studio import Caller, HeldClock

BODY = {"recipients": [{"id": "pager", "role": "technician", "webhook": "https://pager.example/hook"}]}


def said(*arguments: str, **options: Any) -> str:
    out = io.StringIO()
    call_command("told", *arguments, stdout=out, stderr=io.StringIO(), **options)
    return out.getvalue()


@pytest.fixture
def file(tmp_path: Path) -> str:
    (tmp_path / "told.json").write_text(json.dumps(BODY))
    return str(tmp_path / "told.json")


def test_who_is_told_is_looked_at_and_then_set(furnished: Caller, file: str) -> None:
    assert json.loads(said("who")) == {"recipients": []}
    looked = said("set", file, "--preview")
    assert "pager is told of what is amiss from now on" in looked and not Recipients.objects.exists()
    with pytest.raises(CommandError, match=r"there are warnings: .*There are hours"):
        said("set", file, "--yes")
    assert "Who is told: set." in said("set", file, "--yes", "--accept-warnings", "--reason", "a pager was bought")
    (one,) = json.loads(said("who"))["recipients"]
    assert one["webhook"] == "https://pager.example/hook"
    assert said("secret", "pager").strip() == hook_secret("pager", 1)
    with pytest.raises(CommandError, match="'nobody' is not among the recipients"):
        said("secret", "nobody")
    assert "It is so already" in said("set", file, "--yes")


def test_a_test_is_sent_and_told_of(furnished: Caller, file: str) -> None:
    said("set", file, "--yes", "--accept-warnings")
    assert "A test is sent to pager" in said("test", "pager")
    assert "pager  test  webhook  waits\n" in said("sent")
    Message.objects.update(problem="pager.example was not found")
    assert "pager  test  webhook  waits: pager.example was not found\n" in said("sent")
    Message.objects.update(problem="", given_up_at=F("made_at"))
    assert "pager  test  webhook  given up\n" in said("sent")
    with pytest.raises(CommandError, match="there is no recipient 'nobody'"):
        said("test", "nobody")


def test_a_matter_is_seen_to(furnished: Caller, clock: HeldClock) -> None:
    one_of_what_is_told(clock.at)
    assert "knife-1  since 2026-03-20 06:00 UTC  open" in said("matters")
    with pytest.raises(CommandError, match="there is no matter"):
        said("see-to", "knife-2")
    said("see-to", "knife-1")
    assert Matter.objects.get().acknowledged_by == "terminal"
    assert "somebody sees to it" in said("matters")
