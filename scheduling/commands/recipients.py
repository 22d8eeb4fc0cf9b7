"""Saying who is told what is amiss: seen before it is kept, as all else."""

from __future__ import annotations

from collections.abc import Iterator

from machines.chance import Chance
from machines.serialization import unstructure
from scheduling.commands.changes import Change, ChangeWarning, Preview
from scheduling.log.beside_telling import forget_recipients, keep_recipients, tell_anew
from scheduling.log.events.equipment import RecipientsSet
from scheduling.log.models import Venue
from scheduling.queries.history import FieldChange
from scheduling.queries.names import require
from scheduling.telling.recipients import AllRecipients, Recipient, all_recipients, as_said, said_recipients

STREAM = "telling/house"


def change_recipients(
    after: AllRecipients, version: int, chance: Chance, *, sends_mail: bool, has_address: bool
) -> Change:
    """From now on these are told, whoever was before. Whoever is not among them any more is gone, also from what was
    sent.

    Args:
        after: all of them.
        version: of the stream, read before.
        chance: where ids come from for what was sent to those who are gone.
        sends_mail: whether this server can send any.
        has_address: whether it was said under which address people reach this server.

    Raises:
        Unknown: a venue is none, and nobody was told of it before.
    """
    before = all_recipients()
    had_before = {venue for one in before.recipients for venue in one.venues}
    for id in dict.fromkeys(venue for one in after.recipients for venue in one.venues if venue not in had_before):
        require(Venue, "venue", id)
    had, has = ({one.id: one for one in some.recipients} for some in (before, after))
    fields = tuple(
        FieldChange(field=f"recipients.{id}", before=_json(had.get(id)), after=_json(has.get(id)))
        for id in dict.fromkeys((*had, *has))
        if had.get(id) != has.get(id)
    )
    is_so = said_recipients() == as_said(after) or (said_recipients() is None and not after.recipients)
    gone = [id for id in had if id not in has]
    otherwise = [id for id in has if id not in had or _way(had[id]) != _way(has[id])]

    def keep() -> None:
        keep_recipients(as_said(after))
        if gone:
            forget_recipients(gone, chance)
        if otherwise:
            tell_anew(otherwise)

    return Change(
        stream=STREAM,
        version=version,
        event=None if is_so else RecipientsSet(),
        beside=keep,
        preview=Preview(
            fields=fields,
            in_words=() if is_so else tuple(_in_words(had, has)),
            warnings=() if is_so else tuple(_warnings(has, sends_mail, has_address)),
        ),
    )


def _way(one: Recipient) -> tuple[str, str]:
    return one.email, one.webhook


def _json(one: Recipient | None) -> object:
    return None if one is None else unstructure(one)


def _in_words(had: dict[str, Recipient], has: dict[str, Recipient]) -> Iterator[str]:
    for id in has:
        if id not in had:
            yield f"{_called(has[id])} is told of what is amiss from now on, also of what is amiss already."
        elif had[id] != has[id]:
            yield f"{_called(has[id])} is told as you say from the next message on."
            if had[id].venues and not has[id].venues:
                yield f"{_called(has[id])} is told of every venue, no longer of some only."
    for id in had:
        if id not in has:
            yield f"{_called(had[id])} is told nothing more. Nothing of them is kept; what was sent names them no more."


def _warnings(has: dict[str, Recipient], sends_mail: bool, has_address: bool) -> Iterator[ChangeWarning]:
    if not sends_mail and any(one.email for one in has.values()):
        said = "This server has no mail server to send through (DAYROLL_MAIL): nobody is told by mail until it has."
        yield ChangeWarning(kind="no-mail", in_words=said)
    if not has_address and has:
        said = (
            "It was not said under which address people reach this server (DAYROLL_ADDRESS): what they are told leads"
            " to nothing that they can open, and nobody can say by it that they see to a matter."
        )
        yield ChangeWarning(kind="no-address", in_words=said)
    if not any(map(_is_told_all, has.values())):
        said = (
            "There are hours at which nobody of the studio is told at once of everything: of the server's own disk"
            " and views only the studio is told, where it is bound to no venue."
        )
        yield ChangeWarning(kind="gaps", in_words=said)


def _is_told_all(one: Recipient) -> bool:
    return one.role == "studio" and not (one.venues or one.after_min or one.on_call)


def _called(one: Recipient) -> str:
    return one.name or one.id
