"""What is told arrives, once, at a real mail server and a real receiver of webhooks; and once more when it is over."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import pytest
from standardwebhooks import webhooks

from machines.serialization import format_instant
from scheduling.log.beside_telling import claim_message, note_sent
from scheduling.log.models import Heartbeat, Matter, Message
from scheduling.telling.amiss import Amiss, Looked
from scheduling.telling.keeping import keep_look, plan_messages
from scheduling.telling.recipients import Recipient
from scheduling.telling.whom import telling_id
from server import jobs
from server.accounts.message_secrets import hook_secret
from server.telling.failures import NotSent
from server.telling.letters import send_letter
from server.telling.words import Words
from tests.server.every_page import one_of_what_is_told
from tests.server.studio import Caller, HeldClock
from tests.server.telling.conftest import told
from tests.server.telling.receivers import HookReceiver, MailServer

DESK = {"id": "desk", "role": "studio", "email": "desk@studio.example"}
NIGHT = DESK | {"id": "night", "email": "night@studio.example", "after_min": 30}
NOITE = {"id": "noite", "role": "technician", "email": "noite@studio.example", "language": "pt"}


@pytest.fixture(autouse=True)
def the_library_has_our_clock(clock: HeldClock, monkeypatch: pytest.MonkeyPatch) -> None:
    """It refuses what was signed more than five minutes ago."""

    class Ours(datetime):
        @classmethod
        def now(cls, tz: Any = None) -> Any:
            return clock.at.astimezone(tz)

    monkeypatch.setattr(webhooks, "datetime", Ours)


def go_on(clock: HeldClock, minutes: float) -> None:
    """So many minutes later a look is had, and what is to be sent is sent."""
    clock.at += timedelta(minutes=minutes)
    jobs.watch()
    jobs.look()
    jobs.send()


@pytest.fixture
def missed(furnished: Caller, clock: HeldClock) -> Caller:
    """A machine that should print since three hours ago, and was never heard."""
    clock.at += timedelta(hours=9)
    return furnished


def test_nobody_is_told_where_nobody_is_to_be(missed: Caller, clock: HeldClock, mail: MailServer) -> None:
    go_on(clock, 1)
    go_on(clock, 3)
    assert mail.taken == [] and not Matter.objects.exists()


def test_a_matter_is_told_once_and_once_that_it_is_over(missed: Caller, clock: HeldClock, mail: MailServer) -> None:
    told(missed, DESK)
    go_on(clock, 0)
    assert mail.taken == []  # it is yet to stand for two minutes
    for _ in range(3):
        go_on(clock, 2)
    ((to, letter),) = mail.taken
    assert to == ["desk@studio.example"] and letter["From"] == "Dayroll <dayroll@studio.example>"
    assert letter["Subject"] == "Wren 1 at Quay House should print, and was never heard"
    assert letter["Auto-Submitted"] == "auto-generated"
    body = letter.get_content()
    assert "Since 12:00 on Fri 20 Mar 2026 (Europe/Lisbon); 12:00 on Fri 20 Mar 2026 (UTC)." in body
    assert "Is the board beside it there, switched on and plugged in?" in body
    assert "https://dayroll.example/venues/quay/today" in body
    Heartbeat.objects.create(machine_id="wren-1", heard_at=clock.at + timedelta(minutes=2), status={})
    for _ in range(4):
        go_on(clock, 2)
    (_, (to, over)) = mail.taken
    assert over["Subject"] == "Over: Wren 1 at Quay House should print, and was never heard"
    assert over["In-Reply-To"] == over["References"] == letter["Message-ID"]
    assert letter["Message-ID"].endswith("@studio.example>")


def test_each_is_told_in_their_language_and_by_their_clock(missed: Caller, clock: HeldClock, mail: MailServer) -> None:
    told(missed, NOITE | {"zone": "Pacific/Chatham"})
    go_on(clock, 0)
    go_on(clock, 2)
    ((_, letter),) = mail.taken
    assert letter["Content-Language"] == "pt"
    assert letter["Subject"] == "Wren 1, em Quay House, devia imprimir e nunca deu sinal"
    assert "12:00 de Sex, 20 de Mar de 2026 (Europe/Lisbon); 01:45 de Sáb, 21 de Mar de 2026 (Pacific/Chatham)" in (
        letter.get_content().replace("\n", " ")
    )


def test_the_next_is_told_when_nobody_acknowledges(missed: Caller, clock: HeldClock, mail: MailServer) -> None:
    told(missed, DESK, NIGHT)
    for _ in range(18):
        go_on(clock, 2)
    assert [to for to, _ in mail.taken] == [["desk@studio.example"], ["night@studio.example"]]


def test_nobody_else_is_told_once_somebody_sees_to_it(missed: Caller, clock: HeldClock, mail: MailServer) -> None:
    told(missed, DESK, NIGHT)
    go_on(clock, 0)
    go_on(clock, 2)
    matter = Matter.objects.get()
    answer = missed.post(f"matters/{matter.id}/acknowledge")
    assert answer.status_code == 200 and answer.json()["acknowledged_by"].startswith("studio_")
    for _ in range(20):
        go_on(clock, 2)
    assert [to for to, _ in mail.taken] == [["desk@studio.example"]]


def test_a_webhook_is_signed_and_sent_once(missed: Caller, clock: HeldClock, hook: HookReceiver) -> None:
    told(missed, {"id": "pager", "role": "technician", "webhook": hook.address + "?a=1"})
    hook.secret = missed.get("recipients/pager/secret").json()["secret"]
    assert hook.secret == hook_secret("pager", 1) != hook_secret("pager", 2)
    for _ in range(4):
        go_on(clock, 2)
    ((id, said),) = hook.taken
    assert hook.paths == ["/hook?a=1"]
    assert (said["type"], said["data"]["kind"], said["data"]["machines"]) == ("matter.told", "never-heard", ["wren-1"])
    assert said["data"]["told_from"] == format_instant(Matter.objects.get().told_from)
    assert id == Message.objects.get().id
    Heartbeat.objects.create(machine_id="wren-1", heard_at=clock.at + timedelta(minutes=2), status={})
    for _ in range(4):
        go_on(clock, 2)
    assert [said["type"] for _, said in hook.taken] == ["matter.told", "matter.over"]


def test_what_is_not_taken_is_tried_again_ever_later(missed: Caller, clock: HeldClock, hook: HookReceiver) -> None:
    told(missed, {"id": "pager", "role": "technician", "webhook": hook.address})
    hook.secret, hook.answers = hook_secret("pager", 1), [500, 503, 302]
    hook.location = hook.address + "/elsewhere"
    go_on(clock, 0)
    go_on(clock, 2)
    tried = []
    for _ in range(20):
        go_on(clock, 0.5)
        tried.append(len(hook.paths))
    assert (tried[0], tried[1], tried[4], tried[5], tried[13]) == (1, 2, 2, 3, 4)  # after 1, 2 and 4 minutes
    assert len(hook.taken) == 1 and set(hook.paths) == {"/hook"}  # nobody is followed elsewhere
    assert len({id for id, _ in hook.taken}) == 1


def test_one_that_is_gone_is_given_up(missed: Caller, clock: HeldClock, hook: HookReceiver) -> None:
    told(missed, {"id": "pager", "role": "technician", "webhook": hook.address})
    hook.answers = [410]
    for _ in range(6):
        go_on(clock, 2)
    message = Message.objects.get()
    assert len(hook.paths) == 1 and message.given_up_at is not None
    assert message.problem == "127.0.0.1 answered with status 410"


def test_mail_that_is_refused_for_now_is_tried_again(missed: Caller, clock: HeldClock, mail: MailServer) -> None:
    told(missed, DESK)
    mail.answers, mail.refuses = ["451 later"], ["450 greylisted"]
    for _ in range(6):
        go_on(clock, 2)
    assert len(mail.taken) == 1
    assert Message.objects.get().tries == 3


def test_mail_to_an_address_that_is_none_is_given_up(missed: Caller, clock: HeldClock, mail: MailServer) -> None:
    told(missed, DESK)
    mail.refuses = ["550 no such user"]
    for _ in range(6):
        go_on(clock, 2)
    message = Message.objects.get()
    assert mail.taken == [] and (message.tries, message.given_up_at is None) == (1, False)


def test_a_server_without_mail_says_so(missed: Caller, clock: HeldClock) -> None:
    told(missed, DESK)
    go_on(clock, 0)
    go_on(clock, 2)
    assert Message.objects.get().problem == "this server has no mail server to send through (DAYROLL_MAIL)"


def test_what_one_worker_tries_no_other_does(missed: Caller, clock: HeldClock, mail: MailServer) -> None:
    """Another that was killed is waited for; one that comes back too late notes nothing any more."""
    told(missed, DESK)
    clock.at += timedelta(minutes=1)
    jobs.watch()
    jobs.look()
    clock.at += timedelta(minutes=2)
    jobs.look()
    (id,) = Message.objects.values_list("id", flat=True)
    assert claim_message(id, "killed", clock.at, clock.at + timedelta(minutes=2))
    assert not claim_message(id, "other", clock.at, clock.at + timedelta(minutes=2))
    assert jobs.send() == 0 and mail.taken == []
    clock.at += timedelta(minutes=2, seconds=1)
    assert jobs.send() == 1 and len(mail.taken) == 1
    sent_at = Message.objects.get().sent_at
    note_sent(id, "killed", clock.at + timedelta(hours=1))
    assert Message.objects.get().sent_at == sent_at
    assert jobs.send() == 0


def test_what_is_told_anew_is_not_told_of_before(missed: Caller, clock: HeldClock, mail: MailServer) -> None:
    """A message that waited while the matter went on and began anew is not sent beside the new one."""
    told(missed, DESK)
    mail.answers = ["451 later"]
    go_on(clock, 0)
    go_on(clock, 2)
    assert mail.taken == [] and Message.objects.get().sent_at is None
    Matter.objects.update(told_from=clock.at + timedelta(seconds=30), acknowledged_at=None)
    go_on(clock, 2)
    old, new = Message.objects.order_by("made_at")
    assert (old.problem, new.what, len(mail.taken)) == ("there was no need any more", old.what, 1)


def test_what_is_still_amiss_is_tried_until_it_is_told(missed: Caller, clock: HeldClock, mail: MailServer) -> None:
    told(missed, DESK)
    mail.answers = ["451 later"] * 21
    go_on(clock, 0)
    go_on(clock, 2)
    for _ in range(21):
        assert mail.taken == []
        go_on(clock, 61)
    assert len(mail.taken) == 1 and Message.objects.get().tries == 22
    Message.objects.update(sent_at=None, tries=5000)
    mail.answers = ["451 later"]
    jobs.send()
    assert Message.objects.get().next_at == clock.at + timedelta(hours=1)


def test_a_test_is_given_up_after_half_a_day(furnished: Caller, clock: HeldClock, mail: MailServer) -> None:
    told(furnished, DESK)
    furnished.post("recipients/desk/test")
    mail.answers = ["451 later"] * 30
    for _ in range(20):
        jobs.send()
        clock.at += timedelta(minutes=61)
    message = Message.objects.get()
    assert (message.tries, message.given_up_at is None) == (18, False)


@pytest.mark.parametrize("hours", ["on_call", "quiet"])
def test_a_try_goes_by_their_hours_too(furnished: Caller, clock: HeldClock, mail: MailServer, hours: str) -> None:
    """It was not taken while they might be told; then they might not, and it waits for when they may."""
    day: list[dict[str, str]] = [{"opens": "05:00", "closes": "06:30"}]
    night = [{"begins": "06:30", "ends": "05:00"}]
    said: dict[str, Any] = {"on_call": {"week": {"friday": day, "saturday": day}}}
    said = said if hours == "on_call" else {"quiet": {"week": {"friday": night}}}
    one_of_what_is_told(clock.at)
    told(furnished, DESK | {"email": "desk@quay.example"} | said)
    mail.answers = ["451 later"]
    assert jobs.send() == 0 and Message.objects.get().tries == 1
    for _ in range(11):
        clock.at += timedelta(hours=2)
        assert jobs.send() == 0
    message = Message.objects.get()
    assert (message.tries, message.next_at, mail.taken) == (1, clock.at + timedelta(minutes=1), [])
    clock.at += timedelta(hours=1, minutes=1)
    assert jobs.send() == 1


def test_a_machine_whose_name_has_two_lines_is_told_of(mail: MailServer, clock: HeldClock) -> None:
    send_letter(a_message(clock), Recipient(role="studio", **THEM), Words("Wren\n1 stands", ("Look.",)), None)
    assert mail.subjects == ["Wren 1 stands"]


@pytest.mark.parametrize("email", [f"desk@{'é' * 70}.example", "desk\n@studio.example"])
def test_what_can_be_no_letter_is_given_up(mail: MailServer, clock: HeldClock, email: str) -> None:
    """A part of a name of at most 63 signs as it is looked up (RFC 1035 section 2.3.4); a header of one line."""
    one = Recipient(role="studio", **THEM)
    object.__setattr__(one, "email", email)  # such as was kept before it was refused
    with pytest.raises(NotSent, match="cannot be written as mail") as refused:
        send_letter(a_message(clock), one, Words("Wren 1 stands", ("Look.",)), None)
    assert refused.value.for_good and mail.taken == []


THEM = {"id": "desk", "email": "desk@studio.example"}


def a_message(clock: HeldClock) -> Message:
    return Message(id="0" * 32, recipient="desk", what="test", way="email", made_at=clock.at, next_at=clock.at)


def test_one_that_cannot_be_tried_stops_no_other(
    missed: Caller, clock: HeldClock, mail: MailServer, caplog: pytest.LogCaptureFixture
) -> None:
    """A matter of a kind that is known no more, as after an older version took the place of a newer one."""
    told(missed, DESK, NOITE)
    go_on(clock, 0)
    clock.at += timedelta(minutes=2)
    jobs.look()
    Matter.objects.update(kind="of-tomorrow")
    Message.objects.update(what="of-tomorrow")
    missed.post("recipients/noite/test")
    assert jobs.send() == 1 and mail.subjects == ["Um teste"]
    first, second = Message.objects.filter(what="of-tomorrow")
    assert first.problem == second.problem == "it cannot be tried (KeyError)"
    assert first.next_at == clock.at + timedelta(minutes=1) and first.given_up_at is None
    assert "cannot be tried" in caplog.text and "Traceback" in caplog.text


def test_whoever_saw_to_a_machine_that_stands_again_is_told_again(
    furnished: Caller, clock: HeldClock, mail: MailServer
) -> None:
    told(furnished, DESK)
    for kind in ("stands", "stands", "outage", "stands"):
        part = Amiss(kind=kind, since=clock.at, venue="quay", machine="wren-1")  # type: ignore[arg-type]  # they are
        keep_look(Looked((part,), of_machines=True), clock.at)
        clock.at += timedelta(minutes=2)
        plan_messages(clock.at)
        jobs.send()
        Matter.objects.update(acknowledged_at=clock.at, acknowledged_by="recipient:desk")
    assert mail.subjects == ["Wren 1 at Quay House stands still, and waits for a person"] * 2
    assert len({letter["Message-ID"] for _, letter in mail.taken}) == 2


def test_looking_twice_makes_nothing_twice(missed: Caller, clock: HeldClock, mail: MailServer) -> None:
    told(missed, DESK, NOITE)
    for _ in range(3):
        go_on(clock, 1)
        jobs.look()
        jobs.send()
    assert len(mail.taken) == 2 and Matter.objects.count() == 1


def test_a_test_comes_whatever_the_hours(furnished: Caller, clock: HeldClock, mail: MailServer) -> None:
    never: dict[str, Any] = {"week": {"monday": [{"opens": "03:00", "closes": "03:01"}]}}
    told(furnished, DESK | {"on_call": never})
    answer = furnished.post("recipients/desk/test")
    assert answer.status_code == 202
    assert jobs.send() == 1
    assert mail.subjects == ["A test"]
    assert furnished.get("messages").json()["results"][0]["id"] == answer.json()["message"]
    assert furnished.post("recipients/nobody/test").status_code == 404


def test_whoever_is_taken_away_is_gone(missed: Caller, clock: HeldClock, mail: MailServer) -> None:
    told(missed, DESK)
    for _ in range(3):
        go_on(clock, 2)
    told(missed, NOITE)
    (row,) = missed.get("messages").json()["results"]
    assert row["recipient"] is None
    of = Matter.objects.get()
    assert row["id"] != telling_id(of.id, "desk", of.kind, of.told_from.isoformat())
    assert "desk" not in str(missed.get("recipients").json())
    go_on(clock, 2)
    Heartbeat.objects.create(machine_id="wren-1", heard_at=clock.at + timedelta(minutes=2), status={})
    for _ in range(4):
        go_on(clock, 2)
    assert [to for to, _ in mail.taken] == [["desk@studio.example"], *[["noite@studio.example"]] * 2]


def test_whoever_has_another_address_is_told_there_of_what_is_open(
    missed: Caller, clock: HeldClock, mail: MailServer
) -> None:
    told(missed, DESK | {"email": "dekc@studio.example"})
    mail.refuses = ["550 no such user"]
    for _ in range(3):
        go_on(clock, 2)
    assert Message.objects.get().given_up_at is not None
    told(missed, DESK)
    for _ in range(2):
        go_on(clock, 2)
    told(missed, DESK | {"after_min": 1})
    go_on(clock, 2)
    assert [to for to, _ in mail.taken] == [["desk@studio.example"]]


def test_whoever_is_taken_away_and_comes_back_is_told_of_what_is_open(
    missed: Caller, clock: HeldClock, mail: MailServer
) -> None:
    told(missed, DESK)
    mail.answers = ["451 later"]
    go_on(clock, 0)
    go_on(clock, 2)
    told(missed, NOITE)
    assert not Message.objects.filter(sent_at=None).exists()
    told(missed, DESK)
    go_on(clock, 2)
    assert [to for to, _ in mail.taken] == [["desk@studio.example"]]


def test_what_was_sent_is_kept_for_ninety_days(missed: Caller, clock: HeldClock, mail: MailServer) -> None:
    told(missed, DESK)
    Message.objects.create(
        id="old", what="test", way="email", made_at=clock.at - timedelta(days=90, seconds=1), next_at=clock.at,
        given_up_at=clock.at,
    )  # fmt: skip
    go_on(clock, 0)
    assert not Message.objects.filter(id="old").exists()


def test_what_is_old_is_forgotten_where_nobody_is_told_any_more(furnished: Caller, clock: HeldClock) -> None:
    Message.objects.create(id="old", what="test", way="email", made_at=clock.at - timedelta(days=91), next_at=clock.at)
    go_on(clock, 0)
    assert not Message.objects.exists()


def test_what_was_sent_of_a_matter_is_kept_until_it_is_over(missed: Caller, clock: HeldClock, mail: MailServer) -> None:
    """It would be sent again."""
    told(missed, DESK)
    go_on(clock, 0)
    go_on(clock, 2)
    Message.objects.update(made_at=clock.at - timedelta(days=91))
    go_on(clock, 2)
    assert len(mail.taken) == Message.objects.count() == 1
    Matter.objects.update(over_at=clock.at)
    jobs.look()
    assert not Message.objects.exclude(what="over").exists()
