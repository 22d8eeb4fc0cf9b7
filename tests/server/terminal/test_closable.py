"""`dayroll log close` takes no stream that what remains stands on, and says what does and what to do."""

from __future__ import annotations

from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command

from scheduling.log.integrity.signed_head import make_key
from scheduling.log.models import ClosedStream
from server.accounts.at_terminal import at_the_terminal
from server.accounts.boards import revoke_node
from tests.server.conftest import enrol
from tests.server.studio import OPENING, SERIES, SERVICE_WINDOW, Caller, HeldClock


@pytest.fixture
def archive(furnished: Caller, settings: Any, tmp_path: Path) -> Path:
    """A file for streams of a studio that has one of everything, and a key to sign it with."""
    settings.LOG_KEY = tmp_path / "keys" / "log-key.pem"
    make_key(settings.LOG_KEY)
    furnished.create("opening-series", SERIES)
    furnished.create("service-windows", SERVICE_WINDOW)
    return tmp_path / "old.jsonl"


def close(archive: Path, *streams: str) -> str:
    out = StringIO()
    call_command("log", "close", str(archive), *streams, stdout=out)
    return out.getvalue()


@pytest.mark.parametrize(
    ("stream", "named_by"),
    [
        ("machine/wren-1", "run/spring"),
        ("profile/wren", "machine/wren-1 and run/spring"),
        ("source/land", "run/spring"),
        ("run/spring", "machine/wren-1"),
        ("series/sundays", "opening/sundays.* and opening/sundays[-0-9]*"),
        ("venue/quay", "machine/wren-1, opening/first-night, .* and 2 others"),
    ],
)
def test_what_is_still_named_stays(archive: Path, stream: str, named_by: str) -> None:
    with pytest.raises(CommandError, match=rf"^stream: {stream} is still named by {named_by}; close those with it"):
        close(archive, stream)
    assert not archive.exists() and not ClosedStream.objects.exists()


def test_what_names_each_other_goes_together(archive: Path, furnished: Caller, clock: HeldClock) -> None:
    enrol(furnished)
    said = r"the board of machine/wren-1 may come in yet; .*`dayroll node revoke wren-1`"
    with pytest.raises(CommandError, match=said):
        close(archive, "machine/wren-1", "run/spring")
    revoke_node("wren-1", at_the_terminal())
    assert " events of 2 streams closed.\n" in close(archive, "machine/wren-1", "run/spring")
    assert furnished.get("machines").json()["results"] == []


def test_a_machine_stays_by_what_it_prints_of_which_an_opening_is_named(archive: Path, furnished: Caller) -> None:
    anchor = {"under_head": {"machine": "wren-1", "longitude": -9.1}, "date": "2026-03-22"}
    furnished.create("openings", OPENING | {"id": "lisbon-passes", "anchor": anchor})
    with pytest.raises(CommandError, match=r"machine/wren-1 is still named by opening/lisbon-passes; close"):
        close(archive, "machine/wren-1", "run/spring")
    close(archive, "machine/wren-1", "run/spring", "opening/lisbon-passes")


def test_an_opening_goes_by_itself(archive: Path, furnished: Caller) -> None:
    assert "1 event of 1 stream closed.\n" in close(archive, f"opening/{OPENING['id']}")


def test_a_run_that_is_withdrawn_goes_by_itself(archive: Path, furnished: Caller) -> None:
    tag = furnished.get("runs/spring").headers["ETag"]
    assert furnished.post("runs/spring/withdraw", {}, HTTP_IF_MATCH=tag).status_code == 200
    assert " of 1 stream closed.\n" in close(archive, "run/spring")
