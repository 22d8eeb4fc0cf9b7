"""What people write lies beside the log: it is shown, it travels, and it can be blotted out without breaking a link."""

from __future__ import annotations

import json
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.db import connections

from machines.errors import InputError
from scheduling.log import models, seal
from scheduling.log.archive import close_streams
from scheduling.log.folds import VIEWS
from scheduling.log.lines import scan
from scheduling.log.rebuild import rebuild
from scheduling.log.remarks import blot_out, digest_of, text_of
from scheduling.log.store import read
from scheduling.log.studio_events import ServiceWindowCalledOff
from scheduling.log.transfer import check_file, export_log, import_log
from scheduling.log.verify import verify
from scheduling.service_windows import call_off
from tests.scheduling.log.facts import NOW, by, say, service_weekly, venue

ILL = "Robin is ill, ask Kim"


@pytest.fixture
def window() -> models.ServiceWindow:
    """A window that was called off, and why."""
    say("venue/boathouse", venue())
    say("service/rounds", service_weekly())
    call_off("rounds", ILL, by())
    return models.ServiceWindow.objects.get()


@pytest.mark.django_db
def test_the_event_holds_a_digest_and_not_the_words(window: models.ServiceWindow) -> None:
    (line,) = scan(stream="service/rounds", after=2, using="default")
    assert ILL not in line.data
    remark = models.Remark.objects.get()
    assert json.loads(line.data) == {"date": None, "reason": None, "remark": remark.digest}
    assert window.called_off_remark == remark.digest == digest_of(remark.salt, ILL)
    assert window.called_off_because is None
    assert text_of(window.called_off_remark) == ILL


@pytest.mark.django_db
def test_the_same_words_have_another_digest_each_time(window: models.ServiceWindow) -> None:
    say("service/other", service_weekly())
    call_off("other", ILL, by())
    first, second = models.Remark.objects.all()
    assert first.digest != second.digest
    assert len(first.salt) == len(second.salt) == 32


@pytest.mark.django_db
def test_blotted_out_it_is_gone_and_every_link_holds(window: models.ServiceWindow) -> None:
    heads = verify()
    blot_out(3, by(5))
    assert not models.Remark.objects.exists()
    assert text_of(window.called_off_remark) is None
    assert {stream: head for stream, head in verify().items() if not stream.startswith("remark/")} == heads
    assert all(result.equal for result in rebuild(swap=False))
    (fact,) = read(kinds=["remark-blotted-out"])
    assert (fact.event.remark, fact.event.at_event, fact.actor) == (window.called_off_remark, 3, by().actor)  # type: ignore[union-attr]
    with pytest.raises(InputError, match="is blotted out already"):
        blot_out(3, by(6))


@pytest.mark.django_db
def test_what_cannot_be_blotted_out_is_said() -> None:
    say("venue/boathouse", venue())
    say("service/rounds", service_weekly(), ServiceWindowCalledOff(reason="an old reason"))
    with pytest.raises(InputError, match="nobody wrote anything at event 2"):
        blot_out(2, by())
    with pytest.raises(InputError, match="when reasons stood in the event itself"):
        blot_out(3, by())
    with pytest.raises(InputError, match="there is no event 9"):
        blot_out(9, by())


@pytest.mark.django_db(transaction=True)
def test_its_bytes_leave_the_file(window: models.ServiceWindow) -> None:
    file = Path(str(connections["default"].settings_dict["NAME"]))

    def bytes_on_the_disk() -> bytes:
        with connections["default"].cursor() as cursor:
            cursor.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        return file.read_bytes()

    assert ILL.encode() in bytes_on_the_disk()
    blot_out(3, by(5))
    assert ILL.encode() not in bytes_on_the_disk()


def exported() -> list[str]:
    out = StringIO()
    export_log(out, made_at=NOW, key=None)
    return out.getvalue().splitlines(keepends=True)


def empty() -> None:
    seal.lift(connections["default"])
    for table in (models.Event, models.Remark, *(table for view in VIEWS for table in view.tables)):
        table._default_manager.all().delete()
    seal.apply(connections["default"])


@pytest.mark.django_db
def test_it_travels_with_the_log(window: models.ServiceWindow) -> None:
    lines = exported()
    check_file(lines, key=None)
    empty()
    import_log(lines)
    assert text_of(models.ServiceWindow.objects.get().called_off_remark) == ILL
    blot_out(3, by(5))
    assert not any(ILL in line for line in exported())


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("change", "problem"),
    [
        ({"text": "Robin is well"}, "changed after it was written"),
        ({"remark": "a" * 64}, "does not belong to the event before it"),
        ({"salt": 1}, "changed after it was written"),
    ],
)
def test_words_that_were_changed_on_the_way_are_refused(
    window: models.ServiceWindow, change: dict[str, Any], problem: str
) -> None:
    lines = exported()
    (index,) = [number for number, line in enumerate(lines) if ILL in line]
    lines[index] = json.dumps(json.loads(lines[index]) | change) + "\n"
    with pytest.raises(InputError, match=f"line {index + 1}.*{problem}"):
        check_file(lines, key=None)


@pytest.mark.django_db
def test_it_leaves_with_its_stream(window: models.ServiceWindow, tmp_path: Path) -> None:
    file = tmp_path / "old.jsonl"
    close_streams(["service/rounds"], file, by(), key=None)
    assert not models.Remark.objects.exists()
    assert ILL in file.read_text()
    with file.open() as lines:
        check_file(lines, key=None)


@pytest.mark.django_db
def test_at_the_terminal(window: models.ServiceWindow) -> None:
    def log(*arguments: str) -> str:
        out = StringIO()
        call_command("log", *arguments, stdout=out)
        return out.getvalue()

    assert log("remarks").split(maxsplit=6) == [
        "3",
        "2026-03-28",
        "23:30",
        "UTC",
        "service/rounds",
        "account-1",
        f"{ILL}\n",
    ]
    assert "backups that were made before still have it" in log("blot", "3")
    assert "(blotted out)" in log("remarks")
    with pytest.raises(CommandError, match="blotted out already"):
        log("blot", "3")
