"""The whole log out of one database and into another: equal digests, equal views, and nothing half-taken."""

from __future__ import annotations

import dataclasses
import json
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from django.core.management import CommandError, call_command
from django.db import connections

from machines.errors import InputError
from scheduling.log import models
from scheduling.log.events.server import NodeEnrolled
from scheduling.log.integrity import append_only, transfer
from scheduling.log.integrity.signed_head import BadStatement, SignedStatement, public_pem, sign
from scheduling.log.integrity.transfer import check_file, export_log, import_log
from scheduling.log.integrity.verify import BrokenLink, verify
from scheduling.log.projections import VIEWS
from scheduling.log.rebuilding.rebuild import rebuild
from scheduling.log.store import last_position, read
from tests.scheduling.log.facts import NOW, ONE_OF_EACH, opening, say, venue

KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
SAMPLES = Path(__file__).parents[1] / "samples"
EVENTS = len(ONE_OF_EACH) + 2
AT_THE_MACHINE = sum(stream == "machine/left" for stream, _ in ONE_OF_EACH)


def exported(using: str = "default") -> list[str]:
    for stream, event in ONE_OF_EACH:
        say(stream, event, using=using)
    say("venue/lamp", venue(name="Lámpa 😀", elevation_m=1e-7), using=using)
    say("opening/odd", opening(anchor={"kind": "other", "x": [1.0, -0.0, 1e21, "é"], "z": None}), using=using)
    out = StringIO()
    export_log(out, made_at=NOW, key=KEY, using=using)
    return out.getvalue().splitlines(keepends=True)


def views(using: str) -> dict[str, list[dict[str, Any]]]:
    return {
        table.__name__: list(table._default_manager.using(using).order_by("pk").values())
        for view in VIEWS
        for table in view.tables
    }


@pytest.mark.postgres
@pytest.mark.django_db(databases=["default", "postgres"])
@pytest.mark.parametrize(("here", "there"), [("default", "postgres"), ("postgres", "default")])
def test_from_one_engine_to_the_other(here: str, there: str) -> None:
    lines = exported(here)
    told: list[int] = []
    import_log(lines, key=KEY.public_key(), using=there, progress=told.append)
    assert told[-1] == EVENTS
    assert list(read(using=there)) == list(read(using=here))
    assert verify(using=there) == verify(using=here)
    assert views(there) == views(here)
    assert all(result.equal for result in rebuild(swap=False, using=there))
    again = StringIO()
    export_log(again, made_at=NOW, key=KEY, using=there)
    assert again.getvalue() == "".join(lines)


@pytest.mark.django_db
def test_a_file_is_checked_with_nothing_but_the_public_key() -> None:
    lines = exported()
    told: list[int] = []
    signed = check_file(iter(lines), key=KEY.public_key(), progress=told.append)
    assert (signed.statement.events, told) == (EVENTS, list(range(1, EVENTS + 1)))
    assert {stream: head.version for stream, head in signed.statement.heads.items()}["machine/left"] == AT_THE_MACHINE


def changed(lines: list[str], index: int, **changes: Any) -> list[str]:
    return [*lines[:index], line_of(json.loads(lines[index]) | changes), *lines[index + 1 :]]


def line_of(data: dict[str, Any]) -> str:
    """A line of a file, with the event's own text as it was."""
    return json.dumps(data, separators=(",", ":")) + "\n"


@pytest.mark.django_db
def test_what_is_wrong_with_a_file_is_named() -> None:
    lines = exported()
    key = KEY.public_key()
    cases: list[tuple[list[str], type[Exception], str]] = [
        ([], InputError, "line 1: cannot be read"),
        (lines[1:], InputError, "line 1.format: not a log of this kind"),
        (lines[:-1], InputError, "no statement at its end"),
        (lines[:4] + lines[5:], BrokenLink, "events are missing before it"),
        (lines[:4], InputError, "no statement at its end"),
        ([*lines[:3], lines[3][:40] + "\n", *lines[4:]], InputError, "line 4: cannot be read"),
        (changed(lines, 3, actor="account-2"), BrokenLink, "event 3 .*changed after it was written"),
        (changed(lines, 3, said_at="yesterday"), InputError, "line 4.said_at: 'yesterday' is not a date-time"),
        (changed(lines, 3, colour="red"), InputError, "line 4.colour: no such field"),
        (changed(lines, 3, data={"name": "x"}), BrokenLink, "event 3"),
        (changed(lines, 0, closed_events="none"), InputError, "line 1.closed_events: 'none' is not a whole number"),
        (changed(lines, 3, position="3"), InputError, "line 4.position: '3' is not a whole number"),
        (changed(lines, 3, position=2), BrokenLink, "event 2 .*it stands after event 2"),
        (changed(lines, 3, stream=["venue"]), InputError, "line 4.stream: .* is not text"),
        (changed(lines, 3, request={}), InputError, "line 4.request: .* is not text"),
        (changed(lines, 3, actor="\ud800"), InputError, "line 4: cannot be read"),
        ([line.replace("1e+21", "1e999") for line in lines], InputError, "a number that is not finite"),
        ([*lines, lines[1]], InputError, "something follows its end"),
        (changed(lines, len(lines) - 1, signature=None), BadStatement, "nobody signed it"),
        ([lines[0], lines[-1]], BadStatement, "there are 0"),
    ]
    for broken, kind, problem in cases:
        with pytest.raises(kind, match=problem):
            check_file(broken, key=key)


@pytest.mark.django_db
def test_a_forger_who_makes_every_digest_good_lacks_the_key() -> None:
    """Taking out the last event and stating the new end is all that can be done; the signature gives it away."""
    lines = exported()
    shorter = lines[:-2]
    data = json.loads(lines[-1])
    dropped = json.loads(lines[-2])["stream"]
    statement = data["statement"]
    statement["events"] -= 1
    del statement["heads"][dropped], statement["through"], statement["order"]
    forged = [*shorter, json.dumps(data) + "\n"]
    assert check_file(forged, key=None).statement.events == EVENTS - 1
    with pytest.raises(BadStatement, match="not by this key"):
        check_file(forged, key=KEY.public_key())


@pytest.mark.django_db
def test_events_that_changed_places_are_found() -> None:
    """No event was changed, and every stream's chain holds: only the order is another."""
    lines = exported()
    first, second = (json.loads(line) for line in lines[1:3])
    assert first["stream"] != second["stream"]
    swapped = [line_of(second | {"position": 1}), line_of(first | {"position": 2})]
    with pytest.raises(BadStatement, match="in another order"):
        check_file([lines[0], *swapped, *lines[3:]], key=KEY.public_key())


@pytest.mark.django_db
def test_a_file_of_before_positions_were_stated_is_still_good() -> None:
    lines = exported()
    stated = SignedStatement.from_json(json.loads(lines[-1])).statement
    old = sign(dataclasses.replace(stated, through=None, order=None), KEY)
    data = old.as_json()
    del data["statement"]["through"], data["statement"]["order"]
    assert check_file([*lines[:-1], json.dumps(data)], key=KEY.public_key()) == old


@pytest.mark.django_db
def test_a_line_that_is_too_deep_is_named() -> None:
    lines = exported()
    with pytest.raises(InputError, match="line 2: cannot be read"):
        check_file([lines[0], "[" * 200_000, *lines[2:]], key=None)


@pytest.mark.django_db
def test_a_file_that_is_no_text_is_refused_in_words(tmp_path: Path) -> None:
    file, out = tmp_path / "log.jsonl", StringIO()
    lines = "".join(exported()[:2]).encode()
    for content in (b"\xff", lines + b"\xff\n"):
        file.write_bytes(content)
        for command in (["check"], ["import", "--without-key"]):
            if command[0] == "import":
                _empty()
            with pytest.raises(CommandError, match=r"line \d+: no text in UTF-8 from there on"):
                call_command("log", *command, str(file), stdout=out)
    with pytest.raises(CommandError, match="not a public key in PEM"):
        call_command("log", "check", str(file), "--key", str(file), stdout=out)


@pytest.mark.django_db(transaction=True)
def test_an_import_says_whether_it_asked_who_signed(tmp_path: Path) -> None:
    lines = exported()
    signed, unsigned, pem = tmp_path / "signed", tmp_path / "unsigned", tmp_path / "public.pem"
    signed.write_text("".join(lines))
    unsigned.write_text("".join(changed(lines, len(lines) - 1, signature=None)))
    pem.write_text(public_pem(KEY))
    _empty()
    with pytest.raises(CommandError, match="nobody signed it"):
        call_command("log", "import", str(unsigned), "--key", str(pem), stdout=StringIO())
    assert last_position() == 0
    for file, key, said in (
        (unsigned, ["--without-key"], "not checked against any key"),
        (signed, ["--key", str(pem)], "signed by the holder of the key"),
    ):
        out = StringIO()
        call_command("log", "import", str(file), *key, stdout=out)
        assert f"{EVENTS} events imported, {said}" in out.getvalue()
        _empty()


@pytest.mark.django_db(transaction=True)
def test_a_bad_file_leaves_nothing_behind(monkeypatch: pytest.MonkeyPatch) -> None:
    lines = exported()
    _empty()
    monkeypatch.setattr(transfer, "CHUNK", 4)
    for broken in (lines[:-1], changed(lines, 12, actor="account-2"), changed(lines, len(lines) - 1, signature=None)):
        with pytest.raises((InputError, BrokenLink, BadStatement)):
            import_log(broken, key=KEY.public_key())
        assert last_position() == 0
        assert not models.Venue.objects.exists()
    import_log(lines, key=KEY.public_key())
    assert last_position() == EVENTS


def _empty() -> None:
    """Empty the database, which only a test may do."""
    append_only.lift(connections["default"])
    models.Event.objects.all().delete()
    for view in VIEWS:
        for table in view.tables:
            table._default_manager.all().delete()
    append_only.apply(connections["default"])


@pytest.mark.django_db
def test_a_log_that_holds_something_is_not_imported_into() -> None:
    lines = exported()
    with pytest.raises(InputError, match="import into an empty database"):
        import_log(lines)


@pytest.mark.django_db
def test_what_is_appended_while_exporting_stays_out() -> None:
    exported()

    def say_more(position: int) -> None:
        if position == 3:
            say("venue/late", venue())

    out = StringIO()
    signed = export_log(out, made_at=NOW, key=None, progress=say_more)
    assert signed.statement.events == EVENTS
    assert "venue/late" not in signed.statement.heads
    check_file(out.getvalue().splitlines(keepends=True), key=None)


@pytest.mark.django_db
def test_at_the_terminal(tmp_path: Path) -> None:
    exported()
    file, pem = tmp_path / "log.jsonl", tmp_path / "public.pem"

    def log(*arguments: object) -> str:
        out = StringIO()
        call_command("log", *map(str, arguments), stdout=out, stderr=StringIO())
        return out.getvalue()

    pem.write_text(log("key"))
    assert log("export", file) == f"{EVENTS} events in 17 streams written.\n"
    assert f"{EVENTS} events in 17 streams, every link holds" in log("check", file, "--key", pem)
    assert "signed by the holder of the key" in log("check", file, "--key", pem)
    with pytest.raises(CommandError, match="one of the arguments --key --without-key is required"):
        log("import", file)
    with pytest.raises(CommandError, match="empty database"):
        log("import", file, "--without-key")
    with pytest.raises(CommandError, match="exists"):
        log("export", file)
    with pytest.raises(CommandError, match="No such file"):
        log("check", tmp_path / "none")
    file.write_text(file.read_text().replace("account-1", "account-2", 1))
    with pytest.raises(CommandError, match=r"Broken: event 1 .*changed"):
        log("check", file)


@pytest.mark.django_db
def test_a_file_of_before_is_taken_and_given_back_to_the_byte() -> None:
    """It was written when events were still stored as RFC 8785 text; it is kept for ever."""
    lines = (SAMPLES / "exported.1.jsonl").read_text(encoding="utf-8").splitlines(keepends=True)
    stated = import_log(lines, key=KEY.public_key()).statement
    assert all(result.equal for result in rebuild(swap=False))
    again = StringIO()
    export_log(again, made_at=NOW, key=KEY)
    assert again.getvalue() == "".join(lines)
    say("machine/left", NodeEnrolled(epoch=3))
    assert verify()["machine/left"].version == stated.heads["machine/left"].version + 1
