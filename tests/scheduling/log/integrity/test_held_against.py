"""A signed statement of long ago against the log as it lives: what grew fits, what was tampered with does not."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from django.core.management import CommandError, call_command
from django.db import connections

from machines.errors import InputError
from scheduling.log.event_records import EventRecord, insert, scan
from scheduling.log.integrity import append_only
from scheduling.log.integrity.archive import close_streams
from scheduling.log.integrity.held_against import Held, hold_against, state
from scheduling.log.integrity.signed_head import BadStatement, Statement, check_signature, make_key
from scheduling.log.integrity.verify import verify
from tests.scheduling.log.facts import NOW, a_run_on_a_machine, by, printed, run, say, segments, venue

pytestmark = pytest.mark.django_db
KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))


def stated(*, streams: bool = True) -> Statement:
    """A log with some events, and what is stated of it."""
    a_run_on_a_machine(0, 1)
    say("run/summer", run())
    signed = state(NOW, key=KEY, streams=streams)
    check_signature(signed, KEY.public_key())
    return signed.statement


def tamper(change: Callable[[list[EventRecord]], list[EventRecord]]) -> None:
    """As the owner of the table can, who knows how digests are made: no link is broken after it."""
    lines = list(scan(using="default"))
    connection = connections["default"]
    append_only.lift(connection)
    with connection.cursor() as cursor:
        cursor.execute("DELETE FROM log_event")
    heads: dict[str, str] = {}
    for line in change(lines):
        chained = line._replace(previous_digest=heads.get(line.stream, ""))
        heads[line.stream] = chained.computed_digest()
        insert([chained._replace(digest=heads[line.stream])], using="default")
    append_only.apply(connection)
    verify()


@pytest.mark.parametrize("streams", [True, False])
def test_a_log_that_grew_fits(streams: bool) -> None:
    statement = stated(streams=streams)
    assert hold_against(statement) == Held(later=0, in_order=True)
    say("run/spring", segments(2))
    say("venue/lamp", venue())
    assert hold_against(statement) == Held(later=2, in_order=True)


def test_the_short_statement_is_a_line_that_can_be_printed() -> None:
    assert len(state(NOW, key=KEY, streams=False).statement.text()) < 200
    long = stated()
    assert dataclasses.replace(long, heads={}) == state(NOW, key=KEY, streams=False).statement


@pytest.mark.parametrize(
    ("change", "problem", "short"),
    [
        (
            lambda lines: [line._replace(actor="account-9") if line.position == 1 else line for line in lines],
            "has another event",
            "in another order",
        ),
        (lambda lines: lines[:-1], "lacks its event 1, which it speaks of", "1 of the events .* are missing"),
        (
            lambda lines: [
                lines[1]._replace(position=lines[0].position),
                lines[0]._replace(position=lines[1].position),
                *lines[2:],
            ],
            "in another order",
            "in another order",
        ),
    ],
    ids=["rewritten", "cut", "moved"],
)
def test_what_its_owner_changed_is_found(
    change: Callable[[list[EventRecord]], list[EventRecord]], problem: str, short: str
) -> None:
    statement = stated()
    tamper(change)
    with pytest.raises(BadStatement, match=problem):
        hold_against(statement)
    with pytest.raises(BadStatement, match=short):
        hold_against(dataclasses.replace(statement, heads={}))


def test_an_event_that_was_cut_is_found_although_others_took_its_place() -> None:
    statement = stated()
    tamper(lambda lines: lines[:-1])
    say("venue/lamp", venue())
    for one in (statement, dataclasses.replace(statement, heads={})):
        with pytest.raises(BadStatement):
            hold_against(one)


def test_an_event_that_was_put_in_is_found() -> None:
    a_run_on_a_machine(0)
    statement = state(NOW, key=KEY, streams=True).statement
    fewer = dataclasses.replace(statement, events=statement.events - 1)
    with pytest.raises(BadStatement, match="unknown to it stand among those that it speaks of: 1"):
        hold_against(fewer)


def test_streams_that_were_closed_since_are_held_to_their_archives(tmp_path: Path) -> None:
    before = stated()
    old, older = tmp_path / "old.jsonl", tmp_path / "older.jsonl"
    close_streams(["run/spring"], old, by(), key=KEY)
    between = state(NOW, key=KEY, streams=True).statement
    say("machine/left", printed(1, 0, 10, run="summer"))
    close_streams(["run/summer"], older, by(), key=KEY)

    alone = hold_against(before)
    assert not alone.in_order
    assert alone.why_not.startswith("3 of them were closed into archives since: give those whose SHA-256 begins with ")
    assert not hold_against(before, archives=[old]).in_order
    assert hold_against(before, archives=[old, older]) == Held(later=3, in_order=True)
    assert hold_against(before, archives=[old, older, old]) == Held(later=3, in_order=True)
    assert hold_against(between, archives=[older]).in_order
    with pytest.raises(InputError, match="no stream was closed into this file since"):
        hold_against(between, archives=[old, older])


def test_an_archive_cannot_hide_what_was_cut(tmp_path: Path) -> None:
    """One stream was closed, and another lost its end."""
    statement = stated()
    close_streams(["run/spring"], tmp_path / "old.jsonl", by(), key=KEY)
    other = dataclasses.replace(statement, heads=statement.heads | {"run/winter": statement.heads["run/spring"]})
    with pytest.raises(BadStatement, match="run/winter lacks its event 2"):
        hold_against(other)
    with pytest.raises(BadStatement, match="4 of the events that it speaks of are missing"):
        hold_against(dataclasses.replace(statement, heads={}, events=statement.events + 2))


def test_a_statement_of_before_positions_were_stated_is_held_to_its_streams() -> None:
    statement = dataclasses.replace(stated(), through=None, order=None)
    say("venue/lamp", venue())
    held = hold_against(statement)
    assert (held.later, held.in_order) == (1, False)
    assert held.why_not == "it was made before positions were stated"
    tamper(lambda lines: lines[:-2])
    with pytest.raises(BadStatement, match="lacks its event"):
        hold_against(statement)


def log(*arguments: object) -> str:
    out = StringIO()
    call_command("log", *map(str, arguments), stdout=out, stderr=StringIO())
    return out.getvalue()


def test_at_the_terminal(tmp_path: Path) -> None:
    a_run_on_a_machine(0)
    pem, long, short = tmp_path / "public.pem", tmp_path / "log.jsonl", tmp_path / "head.json"
    pem.write_text(log("key"))
    log("export", long)
    short.write_text(log("head"))
    assert json.loads(short.read_text())["statement"]["heads"] == {}
    assert "run/spring" in json.loads(log("head", "--streams"))["statement"]["heads"]
    say("venue/lamp", venue())
    for file in (long, short):
        said = log("verify", "--against", file, "--key", pem)
        assert said.startswith("Every link holds. Stated at ")
        assert "signed by the holder of the key: all of its 7 events are there, in that order; said since: 1." in said
    assert "not checked against any key" in log("verify", "--against", short)


@pytest.mark.parametrize(
    "command", [["head"], ["export", "{new}"], ["close", "{new}", "run/spring"]], ids=["head", "export", "close"]
)
def test_only_one_command_makes_a_key(tmp_path: Path, settings: Any, command: list[str]) -> None:
    a_run_on_a_machine(0)
    settings.HOME, settings.LOG_KEY = tmp_path, tmp_path / "keys" / "log-key.pem"
    command = [one.format(new=tmp_path / "new.jsonl") for one in command]
    with pytest.raises(CommandError, match=r"there is no key there; .*`dayroll log key`"):
        log(*command)
    assert not settings.LOG_KEY.exists()
    assert not (tmp_path / "new.jsonl").exists()
    log("export", "--unsigned", tmp_path / "unsigned.jsonl")

    usual = tmp_path / "log-key.pem"
    make_key(usual)
    for one in (command, ["key"]):
        with pytest.raises(CommandError, match=f"the one that signed so far lies in {usual}"):
            log(*one)
    settings.LOG_KEY.parent.mkdir()
    usual.rename(settings.LOG_KEY)
    if command[0] != "close":
        log(*command)


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("", "neither a statement nor an exported log"),
        ("\udcff", "neither a statement nor an exported log"),
        ('{"position": 1}\n', "neither a statement nor an exported log"),
        ("[" * 100_000, "neither a statement nor an exported log"),
        ('{"statement": 1}', "statement"),
    ],
)
def test_a_file_without_a_statement_is_refused(tmp_path: Path, text: str, problem: str) -> None:
    file = tmp_path / "head.json"
    file.write_bytes(text.encode(errors="surrogateescape"))
    with pytest.raises(CommandError, match=problem):
        log("verify", "--against", file)


def test_a_statement_of_somebody_else_is_refused(tmp_path: Path) -> None:
    a_run_on_a_machine(0)
    pem, file = tmp_path / "public.pem", tmp_path / "head.json"
    pem.write_text(log("key"))
    data: dict[str, Any] = json.loads(log("head"))
    file.write_text(json.dumps(data | {"statement": data["statement"] | {"events": 5}}))
    with pytest.raises(CommandError, match="not by this key, or what it signed was changed"):
        log("verify", "--against", file, "--key", pem)
