"""Who may come in is given and taken by somebody: listed, ended, and told to the log."""

from __future__ import annotations

import re
from datetime import timedelta
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from django.contrib.auth.models import User
from django.core.management import CommandError, call_command
from django.db import DatabaseError, connection
from django.test.utils import CaptureQueriesContext

from machines.errors import InputError
from scheduling.log.ends import lock
from scheduling.log.models import Event, Machine
from server import wiring
from server.accounts import access, boards, enrolment, superusers
from server.accounts.at_terminal import at_the_terminal
from server.accounts.models import EnrolmentCode, Key
from server.accounts.principals import Grant
from server.accounts.tokens import prefix_of
from tests.server.api.test_bad_input import problem
from tests.server.api.test_changed_resources import act
from tests.server.conftest import enrol
from tests.server.studio import MACHINE, PROFILE, VENUE, Caller, HeldClock

PASSWORD = "lanterns over the weir"
READER = Grant("reader")


def said(*order: str) -> tuple[str, str]:
    """What a command writes, and what it tells beside it."""
    out, err = StringIO(), StringIO()
    call_command(*order, stdout=out, stderr=err)
    return out.getvalue(), err.getvalue()


def facts(stream: str) -> list[tuple[str, str, dict[str, Any]]]:
    """The kinds of a stream's events, who said them and what."""
    rows = Event.objects.filter(stream=stream).order_by("version")
    return [(row.kind, row.actor, row.data) for row in rows]


def code_of(studio: Caller, machine: str = "wren-1") -> str:
    return str(studio.post(f"machines/{machine}/enrolment").json()["code"])


def redeem(code: str) -> Any:
    return Caller().post("node/enrol", {"code": code})


# Codes.


def test_a_code_that_was_not_used_is_gone_when_another_was(furnished: Caller, clock: HeldClock) -> None:
    first, second = code_of(furnished), code_of(furnished)
    assert redeem(second).status_code == 200
    assert problem(redeem(first), 422)["problem"] == "the code was cancelled"
    assert Machine.objects.get().epoch == 1
    me = prefix_of(str(furnished.token))
    numbers = [*EnrolmentCode.objects.order_by("pk").values_list("pk", flat=True)]
    until = {"machine": "wren-1", "expires_at": "2026-03-21T06:00:00.000000Z"}
    assert facts(f"code/{numbers[0]}") == [
        ("code-made", me, until),
        ("code-cancelled", f"code:{numbers[1]}", {"machine": "wren-1", "because": "another-used"}),
    ]
    assert facts(f"code/{numbers[1]}") == [("code-made", me, until)]


def test_no_board_takes_over_a_machine_that_was_retired(studio: Caller) -> None:
    for resource, body in (("venues", VENUE), ("profiles", PROFILE), ("machines", MACHINE)):
        studio.create(resource, body)
    code = code_of(studio)
    act(studio, "machines/wren-1", "retire")
    refused = problem(studio.post("machines/wren-1/enrolment"), 422)
    assert (refused["field"], refused["problem"]) == ("machine", "Wren 1 was retired")
    assert refused["remedy"] == "name another machine, or take that back first"
    refused = problem(redeem(code), 422)
    assert refused["remedy"] == "ask the studio to take that back first"
    act(studio, "machines/wren-1", "take-back")
    assert redeem(code).status_code == 200


def test_codes_are_listed_with_who_made_them_and_never_shown(furnished: Caller, clock: HeldClock) -> None:
    codes = [code_of(furnished)]
    assert redeem(codes[0]).status_code == 200
    clock.at += timedelta(hours=1)
    codes.append(code_of(furnished))
    clock.at += timedelta(hours=24)
    codes.append(code_of(furnished))
    answer = furnished.get("machines/wren-1/board")
    assert answer["Cache-Control"] == "no-store"
    told = answer.json()
    assert [code["state"] for code in told["codes"]] == ["good", "expired", "used"]
    assert {code["made_by"] for code in told["codes"]} == {prefix_of(str(furnished.token))}
    assert (told["epoch"], told["revoked_at"]) == (1, None)
    assert told["enrolled_at"] is not None
    text = answer.content.decode() + "".join(said("node", "list", "wren-1"))
    assert not any(code in text or code.replace("-", "") in text for code in codes)


def test_a_code_is_cancelled_by_the_api_and_on_the_terminal(furnished: Caller) -> None:
    first = code_of(furnished)
    answer = furnished.post("machines/wren-1/enrolment/cancel")
    assert answer.status_code == 200, answer.content
    assert [code["state"] for code in answer.json()["codes"]] == ["cancelled"]
    out, beside = said("node", "code", "wren-1")
    assert "Good once, until" in beside
    assert "1 of its codes is good for nothing now." in said("node", "cancel", "wren-1")[1]
    assert "0 of its codes are" in said("node", "cancel", "wren-1")[1]
    for code in (first, out.strip()):
        assert problem(redeem(code), 422)["problem"] == "the code was cancelled"
    made = EnrolmentCode.objects.order_by("pk").values_list("made_by", flat=True)
    assert [*made] == [prefix_of(str(furnished.token)), "terminal"]
    assert facts(f"code/{EnrolmentCode.objects.latest('pk').pk}")[1] == (
        "code-cancelled",
        "terminal",
        {"machine": "wren-1", "because": "ordered"},
    )


def test_a_code_made_on_the_terminal_works(furnished: Caller) -> None:
    assert redeem(said("node", "code", "wren-1")[0].strip()).json()["epoch"] == 1


def test_a_code_of_before_is_listed_without_who_made_it(furnished: Caller) -> None:
    code_of(furnished)
    EnrolmentCode.objects.update(made_by=None)
    assert furnished.get("machines/wren-1/board").json()["codes"][0]["made_by"] is None
    assert "by nobody knows whom" in said("node", "list")[0]


# Boards.


@pytest.mark.parametrize("by", ["api", "terminal"])
def test_a_board_that_was_revoked_learns_that_it_must_print_no_more(furnished: Caller, by: str) -> None:
    board, code = Caller(str(enrol(furnished)["token"])), code_of(furnished)
    assert board.get("node/work").status_code == 200
    if by == "api":
        assert furnished.post("machines/wren-1/board/revoke").json()["revoked_at"] is not None
    else:
        assert "comes in no more" in said("node", "revoke", "wren-1")[1]
    for answer in (
        board.get("node/work"),
        board.get("node/clock"),
        board.post("node/reports", {"epoch": 1, "entries": []}),
    ):
        told = problem(answer, 409)
        assert (told["type"], told["epoch"], told["current"]) == ("/api/v1/problems/stale-epoch", 1, 2)
        assert "revoked" in told["detail"]
    actor = "terminal" if by == "terminal" else prefix_of(str(furnished.token))
    assert facts("machine/wren-1")[-1] == ("node-revoked", actor, {"epoch": 1})
    assert problem(redeem(code), 422)["problem"] == "the code was cancelled"
    assert "revoked" in said("node", "list")[0]


def test_after_a_board_was_revoked_another_takes_over_and_the_first_stays_out(furnished: Caller) -> None:
    old = Caller(str(enrol(furnished)["token"]))
    said("node", "revoke", "wren-1")
    enrolled = enrol(furnished)
    assert enrolled["epoch"] == 2
    assert Caller(str(enrolled["token"])).get("node/work").status_code == 200
    assert problem(old.get("node/work"), 409)["current"] == 2
    assert furnished.get("machines/wren-1/board").json()["revoked_at"] is None


def test_where_no_board_may_come_in_there_is_none_to_revoke(furnished: Caller) -> None:
    assert problem(furnished.post("machines/wren-1/board/revoke"), 422)["field"] == "machine"
    enrol(furnished)
    said("node", "revoke", "wren-1")
    with pytest.raises(CommandError, match="no board of 'wren-1' may come in"):
        said("node", "revoke", "wren-1")
    with pytest.raises(CommandError, match="there is no machine 'wren-9'; there are: wren-1"):
        said("node", "revoke", "wren-9")
    assert furnished.post("machines/wren-9/board/revoke").status_code == 404


def test_who_takes_over_in_the_moment_of_a_revocation_is_shut_out(
    furnished: Caller, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever revokes waits for whoever appends before, and then looks which board there is."""
    enrol(furnished)
    code, taken = code_of(furnished), []

    def wait_for_another(using: str) -> None:
        monkeypatch.setattr(boards, "lock", lock)
        taken.append(redeem(code).json())
        lock(using)

    monkeypatch.setattr(boards, "lock", wait_for_another)
    said("node", "revoke", "wren-1")
    assert [one["epoch"] for one in taken] == [2]
    assert problem(Caller(taken[0]["token"]).get("node/work"), 409)["epoch"] == 2
    assert facts("machine/wren-1")[-1][2] == {"epoch": 2}


def test_nobody_touches_a_code_before_it_is_their_turn_to_append(
    furnished: Caller, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of two who come with a code of one machine each, or cancel both, none holds a row that the other waits for."""
    touched = []

    def look(using: str) -> None:
        touched.append(EnrolmentCode.objects.exclude(used_at=None, cancelled_at=None).exists())
        lock(using)

    monkeypatch.setattr(enrolment, "lock", look)
    code_of(furnished)
    redeem(code_of(furnished))
    assert not touched.pop(0)
    EnrolmentCode.objects.update(used_at=None, cancelled_at=None)
    touched.clear()
    said("node", "cancel", "wren-1")
    assert touched == [False]
    assert EnrolmentCode.objects.filter(cancelled_at=None).count() == 0


def test_a_revoked_board_of_a_real_node_is_fenced(furnished: Caller) -> None:
    """By what the node's own reader makes of the answer."""
    from machines.node.sync.answers import of_server
    from machines.node.sync.failures import FencedOff

    board = Caller(str(enrol(furnished)["token"]))
    said("node", "revoke", "wren-1")
    answer = board.get("node/work")
    assert isinstance(of_server(answer.status_code, answer.json(), "https://host/api/v1/", None), FencedOff)


# Keys.


def test_a_key_ends_when_it_was_said_and_its_name_may_have_another(studio: Caller, clock: HeldClock) -> None:
    out, _ = said("key", "make", "robin", "--role", "reader", "--days", "30")
    robin = Caller(out.strip())
    clock.at += timedelta(days=30, seconds=-1)
    assert robin.get("venues").status_code == 200
    assert "until 2026-04-19" in next(line for line in said("key", "list")[0].splitlines() if "robin" in line)
    clock.at += timedelta(seconds=1)
    assert robin.get("venues").status_code == 401
    assert Caller(said("key", "make", "robin", "--role", "reader")[0].strip()).get("venues").status_code == 200


@pytest.mark.parametrize("days", ["0", "-1", "3651"])
def test_a_key_that_would_end_before_it_began_is_not_made(studio: Caller, days: str) -> None:
    with pytest.raises(CommandError, match="1 to 3650"):
        said("key", "make", "robin", "--role", "reader", "--days", days)
    with pytest.raises(InputError, match="past"):
        access.give_key("robin", READER, at_the_terminal(), wiring.now())
    assert Key.objects.count() == 1


def test_when_a_key_was_used_last_is_known_to_within_a_minute(studio: Caller, clock: HeldClock) -> None:
    assert "never used" in said("key", "list")[0]
    began = clock.at
    for seconds, known in ((0, 0), (59, 0), (60, 60), (90, 60), (600, 600)):
        clock.at = began + timedelta(seconds=seconds)
        assert studio.get("venues").status_code == 200
        assert Key.objects.get().last_used_at == began + timedelta(seconds=known)
    assert f"last used {clock.at:%Y-%m-%d %H:%M} UTC" in said("key", "list")[0]


def test_where_its_use_cannot_be_written_a_key_opens_all_the_same(
    studio: Caller, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def full(*_: object, **__: object) -> None:
        raise DatabaseError("database or disk is full")

    monkeypatch.setattr("django.db.models.query.QuerySet.update", full)
    for _ in range(3):
        assert studio.get("venues").status_code == 200
    assert caplog.text.count("cannot be written: database or disk is full") == 1, "nobody waits with each request"


def test_where_it_could_not_be_written_once_it_is_written_later_and_then_only_now_and_then(
    studio: Caller, clock: HeldClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> None:
        raise DatabaseError("database or disk is full")

    with monkeypatch.context() as patched:
        patched.setattr("django.db.models.query.QuerySet.update", full)
        assert studio.get("venues").status_code == 200
    clock.at += timedelta(minutes=1)
    for writes in (1, 0, 0):
        with CaptureQueriesContext(connection) as asked:
            assert studio.get("venues").status_code == 200
        assert sum("UPDATE" in query["sql"] for query in asked) == writes
        assert sum("SAVEPOINT" in query["sql"] for query in asked) == 2 * writes, "no transaction where none is needed"
    assert Key.objects.get().last_used_at == clock.at


def test_the_key_is_revoked_that_was_meant_whoever_has_its_name_now(studio: Caller) -> None:
    """By its visible part alone: its holder may be given another in the same moment."""
    first = prefix_of(said("key", "make", "robin", "--role", "reader")[0].strip())
    said("key", "revoke", "robin")
    second = said("key", "make", "robin", "--role", "reader")[0].strip()
    with pytest.raises(InputError, match=f"no key {first} that works"):
        access.take_key(first, at_the_terminal())
    assert Caller(second).get("venues").status_code == 200
    access.take_key(prefix_of(second), at_the_terminal())
    assert Caller(second).get("venues").status_code == 401


def test_keys_are_listed_for_the_studio_alone_and_revoked_by_their_visible_part(studio: Caller) -> None:
    robin = Caller(said("key", "make", "robin", "--role", "reader")[0].strip())
    prefix = prefix_of(str(robin.token))
    rows = {row["prefix"]: row for row in studio.get("keys").json()["results"]}
    assert (rows[prefix]["name"], rows[prefix]["role"], rows[prefix]["made_by"]) == ("robin", "reader", "terminal")
    assert "digest" not in rows[prefix] and str(robin.token) not in studio.get("keys").content.decode()
    assert problem(robin.get("keys"), 403)["needed"] == ["studio"]
    answer = studio.post(f"keys/{prefix}/revoke")
    assert answer.status_code == 200 and answer.json()["revoked_at"] is not None
    assert robin.get("venues").status_code == 401
    assert studio.post(f"keys/{prefix}/revoke").status_code == 404
    assert studio.post("keys/reader_0123456789/revoke").status_code == 404
    mine = prefix_of(str(studio.token))
    assert facts(f"key/{prefix.replace('_', '-')}") == [
        ("key-made", "terminal", {"role": "reader", "venues": None, "ends_at": None}),
        ("key-revoked", mine, {}),
    ]


def test_a_key_that_could_not_be_told_to_the_log_is_not_made(studio: Caller, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise DatabaseError("no room")

    monkeypatch.setattr(access, "append", refuse)
    with pytest.raises(DatabaseError):
        said("key", "make", "robin", "--role", "reader")
    assert Key.objects.count() == 1


# People.


def test_what_changes_of_accounts_is_told_without_names(db: None, clock: HeldClock) -> None:
    by = at_the_terminal()
    access.add_person("robin", PASSWORD, Grant("curator", ("quay",)), by)
    access.give_role("robin", READER, by)
    said("person", "close", "robin")
    said("person", "reopen", "robin")
    number = User.objects.get().pk
    assert facts(f"user/{number}") == [
        ("account-made", "terminal", {"role": "curator", "venues": ["quay"]}),
        ("role-changed", "terminal", {"role": "reader", "venues": None}),
        ("account-closed", "terminal", {}),
        ("account-reopened", "terminal", {}),
    ]
    assert "robin" not in str([*Event.objects.values_list()])


# Lines.


def test_what_was_given_and_taken_leaves_lines_and_no_secret(
    furnished: Caller, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("INFO")
    answer = furnished.post("machines/wren-1/enrolment")
    code, me = str(answer.json()["code"]), prefix_of(str(furnished.token))
    token = redeem(code).json()["token"]
    furnished.post("machines/wren-1/board/revoke")
    key = said("key", "make", "robin", "--role", "reader")[0].strip()
    furnished.post(f"keys/{prefix_of(key)}/revoke")
    lines = [record.getMessage() for record in caplog.records if record.name.startswith("server.accounts")]
    for told in (
        f"request {answer['X-Request-Id']}: {me} made code:",
        "by code:",
        f"{me} revoked the board of machine wren-1, epoch 1",
        f"terminal made the key {prefix_of(key)} for reader",
        f"{me} revoked the key {prefix_of(key)}",
    ):
        assert any(told in line for line in lines), told
    for secret in (code, code.replace("-", ""), token, key, key.split("_", 2)[2]):
        assert secret not in caplog.text


@pytest.mark.parametrize(
    ("token", "path"), [("studio_0123456789_guess", "venues"), ("node_0123456789_guess", "node/work")]
)
def test_a_wrong_key_leaves_a_line_with_where_it_came_from(
    studio: Caller, caplog: pytest.LogCaptureFixture, token: str, path: str
) -> None:
    answer = Caller(token).get(path)
    (line,) = [record.getMessage() for record in caplog.records if record.name == "server.accounts.authentication"]
    assert line == f"request {answer['X-Request-Id']} from 127.0.0.1: a wrong key or token"
    assert "guess" not in caplog.text and "0123456789" not in caplog.text


def test_a_wrong_code_leaves_a_line(furnished: Caller, caplog: pytest.LogCaptureFixture) -> None:
    answer = redeem("AAAA-BBBB-CCCC")
    lines = [record.getMessage() for record in caplog.records if record.levelname == "WARNING"]
    assert f"request {answer['X-Request-Id']} from 127.0.0.1: a code that is not good" in lines
    assert not re.search("AAAA|BBBB", caplog.text)


def test_a_superuser_is_told_of_like_any_other(db: None, clock: HeldClock, caplog: pytest.LogCaptureFixture) -> None:
    call_command("createsuperuser", interactive=False, username="keeper", email="", stdout=StringIO())
    keeper = User.objects.get()
    assert facts(f"user/{keeper.pk}") == [("account-made", "terminal", {"role": "studio", "venues": None})]
    assert f"terminal made user:{keeper.pk} studio" in caplog.text


def test_a_superuser_of_whom_the_log_cannot_hear_is_not_made(
    db: None, clock: HeldClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise DatabaseError("no room")

    monkeypatch.setattr(superusers, "append", refuse)
    with pytest.raises(DatabaseError):
        call_command("createsuperuser", interactive=False, username="keeper", email="", stdout=StringIO())
    assert not User.objects.exists()


def test_who_becomes_a_superuser_later_is_told_of_too(db: None, clock: HeldClock) -> None:
    access.add_person("wilma", PASSWORD, Grant("curator", ("quay",)), at_the_terminal())
    wilma = User.objects.get()
    for is_superuser in (True, True, False):
        wilma.is_superuser = is_superuser
        wilma.save()
    wilma.is_superuser = True
    wilma.save(update_fields=["last_login"])  # which leaves that as it is
    changed = facts(f"user/{wilma.pk}")[1:]
    assert changed == [
        ("role-changed", "terminal", {"role": "studio", "venues": None}),
        ("role-changed", "terminal", {"role": "curator", "venues": ["quay"]}),
    ]


def test_a_superuser_who_comes_back_from_a_file_is_no_news(db: None, clock: HeldClock, tmp_path: Path) -> None:
    file = tmp_path / "people.json"
    User.objects.create_superuser("keeper")
    call_command("dumpdata", "auth.user", output=str(file))
    User.objects.all().delete()
    call_command("loaddata", str(file), stdout=StringIO())
    assert len(facts(f"user/{User.objects.get().pk}")) == 1
