"""What the demonstration promises of telling people can break; and its receiver knows a signature."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest
import urllib3
from standardwebhooks.webhooks import Webhook

from server.accounts.message_secrets import hook_secret
from server.demo.receiver import Hook, Receiver, signature
from server.demo.told import told_of_outages


def hook(id: str, kind: str = "matter.told", matter: str = "printing-one-1", machine: str = "one") -> Hook:
    data = {"matter": matter, "kind": "silence", "machines": [machine]}
    return Hook(id, {"type": kind, "data": data}, is_signed=True)


GOOD = (hook("a"), hook("b", "matter.over"))


def test_a_day_on_which_all_was_told() -> None:
    found = told_of_outages([*GOOD, GOOD[1]], ["one"])  # one came twice, under its id
    assert found.holds
    assert found.measured == {"received": 3, "messages": 2, "silences_told_and_over": {"one": 1}}


def test_a_machine_that_stands_again_is_told_of_again() -> None:
    twice = [hook("c"), hook("d")]
    for one, minute in zip(twice, (1, 2), strict=True):
        one.said["data"] |= {"kind": "stands", "told_from": f"2026-10-24T12:0{minute}:00.000000Z"}
    assert told_of_outages([*GOOD, *twice], ["one"]).holds


@pytest.mark.parametrize(
    ("hooks", "said"),
    [
        (GOOD[1:], "nobody was told that one was silent"),
        (GOOD[:1], "printing-one-1 of one was never over"),
        ((*GOOD, hook("c")), "printing-one-1 was told 2 times"),
        ((*GOOD, hook("c", "matter.over")), "printing-one-1 was told 2 times"),
        ((replace(GOOD[0], is_signed=False), GOOD[1]), "a is not signed"),
        ((hook("a", machine="two"), hook("b", "matter.over", machine="two")), "nobody was told that one was silent"),
    ],
)
def test_a_day_on_which_something_was_not(hooks: tuple[Hook, ...], said: str) -> None:
    found = told_of_outages(hooks, ["one"])
    assert not found.holds and said in str(found.measured["complaints"])


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
