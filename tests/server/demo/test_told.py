"""What the demonstration promises of telling people can break; and its receiver of webhooks knows a signature."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from email.message import EmailMessage
from typing import Any

import pytest
import urllib3
from standardwebhooks.webhooks import Webhook

from server.accounts.message_secrets import hook_secret
from server.demo.mail_receiver import Letter
from server.demo.receiver import Hook, Receiver, signature
from server.demo.told import Away, Received, told_of_outages

NOON = datetime(2026, 10, 24, 12, tzinfo=UTC)
DESK = "desk@saltmarsh.example"
AWAY = [Away("one", NOON, NOON + timedelta(hours=3)), Away("one", NOON + timedelta(hours=6), NOON + timedelta(hours=9))]


def matter(id: str, hour: float, kind: str = "silence", machine: str = "one") -> dict[str, Any]:
    began_at = (NOON + timedelta(hours=hour)).isoformat()
    return {"id": id, "kind": kind, "began_at": began_at, "parts": {f"printing/{machine}": {"machine": machine}}}


def hook(id: str, subject: str) -> Hook:
    return Hook(id, {"type": "matter.told", "data": {"subject": subject}}, is_signed=True)


def letter(id: str, subject: str, answers: str = "", to: str = DESK) -> Letter:
    said = EmailMessage()
    said["Subject"], said["Message-ID"] = subject, f"<{id}@saltmarsh.example>"
    if answers:
        said["In-Reply-To"] = f"<{answers}@saltmarsh.example>"
    return Letter((to,), said)


def message(id: str, matter: str, what: str, way: str) -> dict[str, Any]:
    return {"id": id, "matter": matter, "what": what, "way": way, "sent_at": NOON.isoformat()}


def told(matters: list[dict[str, Any]]) -> Received:
    """All of them told and over, both ways."""
    hooks, letters, messages = [], [], []
    for one in matters:
        name, kind = one["id"], one["kind"]
        messages += [message(f"{name}-h", name, kind, "webhook"), message(f"{name}-ho", name, "over", "webhook")]
        messages += [message(f"{name}-m", name, kind, "email"), message(f"{name}-mo", name, "over", "email")]
        hooks += [hook(f"{name}-h", name), hook(f"{name}-ho", f"Over: {name}")]
        letters += [letter(f"{name}-m", name), letter(f"{name}-mo", f"Over: {name}", f"{name}-m")]
    return Received(hooks=hooks, letters=letters, messages=messages, matters=matters, mailbox=DESK)


GOOD = told([matter("first", -0.2), matter("knife", 3.0, "knife"), matter("second", 5.9)])


def test_a_day_on_which_all_was_told() -> None:
    found = told_of_outages(GOOD, AWAY)
    assert found.holds, found.measured
    assert found.measured == {
        "by_email": 6,
        "by_webhook": 6,
        "of_outages": {"one": {"outages": 2, "told": 4, "over": 4}},
    }


def test_the_messages_that_came_are_counted_and_not_the_outages() -> None:
    """Nobody was told of the second, and of the first neither its beginning by webhook nor its end by mail."""
    less = without("first-mo", without("first-h", told([matter("first", -0.2)])))
    assert told_of_outages(less, AWAY).measured["of_outages"] == {"one": {"outages": 2, "told": 1, "over": 1}}
    nothing = replace(GOOD, hooks=[], letters=[])
    assert told_of_outages(nothing, AWAY).measured["of_outages"] == {"one": {"outages": 2, "told": 0, "over": 0}}


def without(id: str, of: Received = GOOD) -> Received:
    """As if one was neither sent nor came."""
    return replace(
        of,
        hooks=[one for one in of.hooks if one.id != id],
        letters=[one for one in of.letters if one.id != id],
        messages=[one for one in of.messages if one["id"] != id],
    )


@pytest.mark.parametrize(
    ("received", "said"),
    [
        (without("first-h"), "first was told 0 times by webhook, and over 1 times"),
        (without("first-mo"), "first was told 1 times by email, and over 0 times"),
        (replace(GOOD, hooks=[*GOOD.hooks, GOOD.hooks[0]]), "first-h came 2 times by webhook"),
        (replace(GOOD, letters=[*GOOD.letters, GOOD.letters[3]]), "knife-mo came 2 times by email"),
        (replace(GOOD, letters=[*GOOD.letters, letter("x", "first")]), "x came by email, and was never sent"),
        (replace(GOOD, hooks=GOOD.hooks[1:]), "first-h was sent by webhook, and never came"),
        (replace(GOOD, hooks=[replace(GOOD.hooks[0], is_signed=False), *GOOD.hooks[1:]]), "first-h is not signed"),
        (
            replace(GOOD, letters=[letter("first-m", "first", to="else@b.example"), *GOOD.letters[1:]]),
            "first-m is for else@b.example",
        ),
        (
            replace(GOOD, letters=[GOOD.letters[0], letter("first-mo", "Over: first", "second-m"), *GOOD.letters[2:]]),
            "first-mo is no answer to what told of first",
        ),
        (replace(GOOD, letters=[letter("first-m", "Hello"), *GOOD.letters[1:]]), "first-m says 'Hello'"),
        (told([matter("first", -0.2), matter("second", 4.0)]), "nobody was told of the outage at one"),
        (told([*GOOD.matters, matter("third", 12.0)]), "third was no outage"),
        (told([*GOOD.matters, matter("other", 0.0, machine="two")]), "other was no outage"),
    ],
)
def test_a_day_on_which_something_was_not(received: Received, said: str) -> None:
    found = told_of_outages(received, AWAY)
    assert not found.holds and said in str(found.measured["complaints"]), found.measured


def test_a_matter_that_is_told_anew_is_told_too_often() -> None:
    more = [*GOOD.messages, message("again", "first", "stands", "webhook")]
    found = told_of_outages(replace(GOOD, hooks=[*GOOD.hooks, hook("again", "first")], messages=more), AWAY)
    assert found.measured["complaints"] == ["first was told 2 times by webhook, and over 1 times"]


def test_its_signature_is_that_of_the_schemes_authors() -> None:
    secret, now = hook_secret("pager", 1), datetime.now(UTC)
    assert signature(secret, "a", str(int(now.timestamp())), b"{}") == Webhook(secret).sign("a", now, "{}")


def test_the_receiver_takes_what_comes_and_looks_whether_it_is_signed() -> None:
    receiver = Receiver(secret=hook_secret("pager", 1))
    try:
        for secret in (receiver.secret, hook_secret("pager", 2)):
            headers = {
                "webhook-id": "a",
                "webhook-timestamp": "1",
                "webhook-signature": signature(secret, "a", "1", b"{}"),
            }
            assert urllib3.request("POST", receiver.address, body=b"{}", headers=headers).status == 204
    finally:
        receiver.close()
    assert [one.is_signed for one in receiver.taken] == [True, False]
