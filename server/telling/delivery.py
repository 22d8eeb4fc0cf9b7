"""Sending what is to be sent, at least once: a message is claimed, handed over, and noted as sent.

Between the other side's taking it and our noting so, a worker may be killed; then it is sent again, under the same id
(``Message-ID``, ``webhook-id``), by which the other side can drop it. To be told twice does less harm than never.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from datetime import datetime, timedelta

from django.conf import settings

from machines.chance import Chance
from scheduling.log.beside_telling import claim_message, note_failed, note_sent, put_off
from scheduling.log.models import Matter as MatterRow
from scheduling.log.models import Message
from scheduling.telling.keeping import as_matter
from scheduling.telling.recipients import Recipient, all_recipients
from scheduling.telling.whom import OVER, TEST, may_hear
from server.accounts.message_secrets import hook_secret
from server.telling.failures import NotSent
from server.telling.hook_body import hook_body
from server.telling.hooks import send_hook
from server.telling.letters import send_letter
from server.telling.signing import signed_headers
from server.telling.words import Words, address_of_message, names_of, test_words, words_of

logger = logging.getLogger(__name__)

# For how long a message is whose who tries it: longer than any try takes.
CLAIMED = timedelta(minutes=2)
# How many are tried in one go, so that the next look is soon.
MOST_AT_ONCE = 50
# After how many tries a test, or that something is over, is given up, half a day after it was made. What still is amiss
# is told however long that takes.
MOST_TRIES = 18
FIRST_WAIT, LONGEST_WAIT = timedelta(minutes=1), timedelta(hours=1)


def send_due(clock: Callable[[], datetime], chance: Chance) -> int:
    """Try what is to be sent, each message as soon as it can be claimed; how many were taken."""
    waiting = Message.objects.filter(sent_at=None, given_up_at=None, next_at__lte=clock())
    sent = 0
    for id in list(waiting.order_by("next_at", "id").values_list("id", flat=True)[:MOST_AT_ONCE]):
        claim, now = chance.number(), clock()
        if claim_message(id, claim, now, now + CLAIMED):
            sent += _try_guarded(id, claim, clock)
    return sent


def _try_guarded(id: str, claim: str, clock: Callable[[], datetime]) -> bool:
    """The same as `_try`; whatever goes wrong with one message, the others are sent."""
    message = Message.objects.filter(id=id, claim=claim).first()
    if message is None:  # it was deleted in between, as its recipient was changed
        return False
    try:
        return _try(message, claim, clock)
    except Exception as error:
        logger.exception("message %s cannot be tried", id)
        _note_failure(message, claim, NotSent(f"it cannot be tried ({type(error).__name__})"), clock())
        return False


def _try(message: Message, claim: str, clock: Callable[[], datetime]) -> bool:
    """Hand a claimed message over, and note what became of it; whether it was taken."""
    matter = None if message.matter is None else MatterRow.objects.filter(id=message.matter).first()
    one = next((one for one in all_recipients().recipients if one.id == message.recipient), None)
    if one is None or not _is_wanted(message, matter):
        note_failed(message.id, claim, "there was no need any more", next_at=None, at=clock())
        return False
    if message.what != TEST and not may_hear(one, _is_pressing(message, matter), clock()):
        put_off(message.id, claim, clock() + FIRST_WAIT)
        return False
    try:
        _hand_over(message, matter, one, clock())
    except NotSent as error:
        _note_failure(message, claim, error, clock())
        return False
    note_sent(message.id, claim, clock())
    return True


def _is_wanted(message: Message, matter: MatterRow | None) -> bool:
    """Not where somebody sees to the matter by now, or it is over, or is told anew."""
    if message.what == TEST:
        return True
    if matter is None:
        return False
    if message.what == OVER:
        return matter.over_at is not None
    is_of_now = matter.kind == message.what and matter.told_from <= message.made_at
    return is_of_now and matter.over_at is None and matter.acknowledged_at is None


def _is_pressing(message: Message, matter: MatterRow | None) -> bool:
    return matter is not None and message.what != OVER and as_matter(matter).is_pressing


def _hand_over(message: Message, matter: MatterRow | None, one: Recipient, now: datetime) -> None:
    """
    Raises:
        NotSent: it was not taken, as far as is known.
    """
    words = _words(message, matter, one)
    if one.email:
        send_letter(message, one, words, _told_by(message))
        return
    body = hook_body(message, matter, words, address_of_message(message.id))
    headers = signed_headers(message.id, now, body, hook_secret(one.id, one.secret_number))
    send_hook(one.webhook, headers, body, private=settings.PRIVATE_HOOKS)


def _told_by(message: Message) -> str | None:
    """The id of the message that told first what is over."""
    if message.what != OVER:
        return None
    told = Message.objects.filter(matter=message.matter, recipient=message.recipient, sent_at__isnull=False)
    first = told.exclude(what=OVER).order_by("sent_at").first()
    return None if first is None else first.id


def _words(message: Message, matter: MatterRow | None, one: Recipient) -> Words:
    if matter is None:
        return test_words(one)
    known = as_matter(matter)
    return words_of(known, message.what, one, names_of(known), address_of_message(message.id))


def _note_failure(message: Message, claim: str, error: NotSent, now: datetime) -> None:
    is_last = error.for_good or (message.tries >= MOST_TRIES and message.what in (OVER, TEST))
    wait = min(FIRST_WAIT * 2 ** min(message.tries - 1, MOST_TRIES), LONGEST_WAIT)
    note_failed(message.id, claim, error.problem, next_at=None if is_last else now + wait, at=now)
    logger.warning("message %s: %s; %s", message.id, error.problem, "given up" if is_last else f"again in {wait}")
