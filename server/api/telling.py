"""Telling people what is amiss: whom, of what, what was sent, and that somebody sees to it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

from django.conf import settings
from django.http import Http404
from django.shortcuts import get_object_or_404
from rest_framework import generics
from rest_framework.request import Request
from rest_framework.response import Response

from machines.serialization import structure, unstructure
from scheduling.commands.changes import make
from scheduling.commands.recipients import STREAM, change_recipients
from scheduling.log.models import Matter, Message
from scheduling.log.store import stream_version
from scheduling.queries.names import Unknown
from scheduling.telling.asking import see_to, send_test
from scheduling.telling.recipients import AllRecipients, all_recipients, said_recipients
from server import wiring
from server.accounts.message_secrets import hook_secret
from server.accounts.principals import KeyHolder
from server.accounts.roles import require_role
from server.api.base_views import ApiView, List, asked_for, attribution
from server.api.changes import ORDERED_WITH, accepted, apart_from_reason
from server.api.conditional import Replaced, require_match, tag_of
from server.api.serializers import MaybeObject, Row


@dataclass(frozen=True, kw_only=True)
class SetRecipients(AllRecipients):
    """Who is told, and why it is said anew, for the record; that may be left out."""

    reason: str | None = None


class ForStudio(ApiView):
    """For the studio alone, also to read: names and addresses of people stand in it."""

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        """Only for who may change it."""
        super().initial(request, *args, **kwargs)
        assert isinstance(request.user, KeyHolder)
        require_role(request.user.standing, change_recipients)


class WhoIsTold(ForStudio, Replaced):
    """Who is told what is amiss, all of them. Only what stands now is kept: of people nothing lies in the log."""

    command = staticmethod(change_recipients)
    reads, held = SetRecipients, AllRecipients | None
    shows, previews, answers = AllRecipients, True, 200
    ordered_with: ClassVar[Any] = {name: ORDERED_WITH[name] for name in ("preview", "accept", "If-Match")}

    def stands(self, pk: str) -> Any:
        """As JSON."""
        return said_recipients()

    def put(self, request: Request, pk: str) -> Response:
        """Say who is told, in place of all before; an empty list has nobody told.

        Each is told by mail or by webhook of what is amiss, once, and once when it is over: of all that their role
        hears of, at their venues, while they are on call. In their quiet hours they are told only what cannot wait.
        Where `after_min` is above 0, they are told when nobody has acknowledged for so long. Whoever is left out is
        gone, also from what was sent.
        """
        body, reason = apart_from_reason(request.data)
        after = structure(body, AllRecipients)
        version = stream_version(STREAM)  # read first: whoever changes it from here on is noticed
        by = attribution(request)
        require_match(request, tag_of(self.stands(pk)))
        ways = {"sends_mail": settings.SENDS_MAIL, "has_address": settings.HAS_ADDRESS}
        change = change_recipients(after, version, wiring.chance(), **ways)
        if asked_for(request, "preview"):
            return Response(unstructure(change.preview))
        make(change, reason, by, wiring.chance(), accepted=accepted(request))
        stands = self.stands(pk)
        # Where nobody was told before, and nobody is to be, nothing was written.
        return self.shown(unstructure(after) if stands is None else stands, stands)


@dataclass(frozen=True, kw_only=True)
class HookSecret:
    """By which webhooks to a recipient are signed, as Standard Webhooks 1.0.0 does. Another ``secret_number`` is
    another secret."""

    secret: str


class SecretOfRecipient(ForStudio):
    """The secret of a recipient that is told by webhook."""

    shows, answers = HookSecret, 200

    def get(self, request: Request, pk: str) -> Response:
        """The secret: whoever gets the webhooks checks with it that they are of this server."""
        for one in all_recipients().recipients:
            if one.id == pk and one.webhook:
                return Response({"secret": hook_secret(one.id, one.secret_number)})
        raise Http404(f"Nobody is told by webhook under the id {pk!r}.")


@dataclass(frozen=True, kw_only=True)
class TestMessage:
    """A test that will be sent; ``message`` is its id among those that were sent."""

    message: str


class TestOfRecipient(ForStudio):
    """A test message."""

    command = staticmethod(send_test)
    shows, answers = TestMessage, 202

    def post(self, request: Request, pk: str) -> Response:
        """Have a test sent to a recipient, whatever their hours."""
        by = attribution(request)
        try:
            id = send_test(pk, by.said_at, wiring.chance())
        except Unknown as error:
            raise Http404(f"Nobody is told under the id {pk!r}.") from error
        return Response({"message": id}, status=202)


class MatterRow(Row):
    """Something of which people are told. ``kind`` is as what, ``parts`` what it is of as last seen, ``told_from`` from
    when on people are told, ``gone_at`` since when nothing of it is found, ``over_at`` null while it is not over,
    ``acknowledged_at`` null while nobody sees to it."""

    parts = MaybeObject(read_only=True)

    class Meta:
        model = Matter
        fields = (
            "id", "kind", "venue", "parts", "began_at", "told_from", "gone_at", "over_at", "acknowledged_at",
            "acknowledged_by",
        )  # fmt: skip


class Matters(List):
    """What people are told of, and were within ninety days."""

    queryset = Matter.objects.all()
    serializer_class = MatterRow


class OneMatter(ApiView, generics.RetrieveAPIView[Any]):
    """One of them."""

    queryset = Matter.objects.all()
    serializer_class = MatterRow


class MatterAcknowledge(ApiView):
    """Saying that somebody sees to a matter."""

    command = staticmethod(see_to)
    serializer_class, answers = MatterRow, 200

    def post(self, request: Request, pk: str) -> Response:
        """Acknowledge: nobody else is called. What is acknowledged already stays as it is."""
        row = get_object_or_404(Matter, pk=pk)
        by = attribution(request, row.venue)
        see_to(row.id, by.actor, by.said_at)
        row.refresh_from_db()
        return Response(MatterRow(row).data)


class MessageRow(Row):
    """What one recipient is told, and what became of it. ``what`` is as which kind the matter is told, ``over`` or
    ``test``; ``recipient`` is null once they were taken away; ``given_up_at`` is when it was given up, or there was no
    need any more."""

    class Meta:
        model = Message
        fields = (
            "id", "matter", "recipient", "what", "way", "made_at", "next_at", "tries", "sent_at", "given_up_at",
            "problem",
        )  # fmt: skip


class Messages(ForStudio, List):
    """What was sent within ninety days, and what is to be, for the studio alone."""

    queryset = Message.objects.all()
    serializer_class = MessageRow
