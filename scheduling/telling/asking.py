"""What people order of telling, besides whom to tell: a test, and that somebody sees to a matter."""

from __future__ import annotations

from datetime import datetime

from machines.chance import Chance
from scheduling.log.beside_telling import acknowledge_matter, add_messages
from scheduling.log.models import Message
from scheduling.queries.names import Unknown
from scheduling.telling.recipients import all_recipients
from scheduling.telling.whom import TEST, telling_id


def send_test(recipient: str, now: datetime, chance: Chance) -> str:
    """Have a test sent to somebody, whatever their hours; the id of the message.

    Raises:
        Unknown: nobody is told under that id.
    """
    one = next((one for one in all_recipients().recipients if one.id == recipient), None)
    if one is None:
        raise Unknown("recipient", recipient)
    id = telling_id(TEST, recipient, chance.number())
    add_messages([Message(id=id, recipient=recipient, what=TEST, way=one.way, made_at=now, next_at=now)])
    return id


def see_to(matter: str, by: str, now: datetime) -> bool:
    """Note that somebody sees to a matter: nobody else is called. Whether nobody did before.

    Args:
        matter: id.
        by: an account or a key, as the log names them, or ``recipient:`` and an id.
        now: this instant, UTC.
    """
    return acknowledge_matter(matter, by, now)
