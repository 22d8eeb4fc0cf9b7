"""The calls of a field node: enrol, ask the time, fetch work ahead, report."""

from __future__ import annotations

import logging
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.http import HttpResponse, HttpResponseBase
from rest_framework.permissions import AllowAny
from rest_framework.request import Request
from rest_framework.response import Response

from machines.errors import InputError
from machines.protocol.messages import Reports, Work
from machines.serialization import structure, unstructure
from scheduling.log.codec.canonical_json import canonical
from scheduling.nodes.heartbeat import hear, hear_again
from scheduling.nodes.received_entries import read_batch, read_status
from scheduling.nodes.reports import EntryDiffers, as_refused, say_refused, take
from scheduling.nodes.work_tag import basis_of, kept_tag, work_and_tag
from server import wiring
from server.accounts.addresses import address_of
from server.accounts.attempt_limit import guarded
from server.accounts.authentication import IsNode, node_asking
from server.accounts.enrolment import NewCredentials, redeem
from server.api.base_views import ApiView, attribution
from server.api.conditional import answered
from server.api.work_asked import CACHED, asked_of, read_horizon
from server.metrics.counted import ENTRIES
from server.request_id import request_id

logger = logging.getLogger(__name__)


@dataclass(frozen=True, kw_only=True)
class Enrol:
    """What a board sends to take over a machine: the one-time code from the studio."""

    code: str


@dataclass(frozen=True, kw_only=True)
class ClockAnswer:
    """When the server received the question and when it sent the answer, by its clock."""

    received_at: datetime
    sent_at: datetime


@dataclass(frozen=True, kw_only=True)
class Accepted:
    """Number of the journal's entry up to which the server has everything, durably."""

    accepted_through: int


class NodeEnrol(ApiView):
    """A board's first call: the code becomes a token."""

    authentication_classes = ()
    permission_classes = (AllowAny,)
    reads, shows = Enrol, NewCredentials

    def post(self, request: Request) -> Response:
        """Take over the machine that the code is for; every earlier board of it is fenced off.

        ``earlier`` tells how much is there of the journals of earlier boards, so that one that is enrolled again with
        its journal tells nothing twice.
        """
        code = structure(request.data, Enrol).code
        number, address = request_id(request._request), address_of(request._request)
        with guarded("code", address, wiring.now(), InputError):
            try:
                enrolled = redeem(code, number, wiring.now())
            except InputError:
                logger.warning("request %s from %s: a code that is not good", number, address)
                raise
        return Response(unstructure(enrolled), headers={"Cache-Control": "no-store"})


class NodeClock(ApiView):
    """The server's time, for the offset and delay of RFC 5905 section 8.

    The two stamps stand in the body: the ``Date`` header knows only whole seconds.
    """

    permission_classes = (IsNode,)
    shows = ClockAnswer

    def initialize_request(self, request: Any, *args: Any, **kwargs: Any) -> Request:
        """Stamp the arrival before anything else is done."""
        self.received_at = wiring.now()
        return super().initialize_request(request, *args, **kwargs)

    def get(self, request: Request) -> HttpResponse:
        """The server's time as the question came and as the answer goes; a board finds by it how far off it is."""
        # The departure is stamped last.
        answer = ClockAnswer(received_at=self.received_at, sent_at=wiring.now())
        return HttpResponse(
            canonical(unstructure(answer)), content_type="application/json", headers={"Cache-Control": "no-store"}
        )


class NodeWork(ApiView):
    """What the node should hold now. Most hold it already, and `server.api.unchanged` tells them so before this."""

    permission_classes = (IsNode,)
    parameters = ("horizon",)
    shows = Work

    def get(self, request: Request) -> HttpResponseBase:
        """The work up to ``horizon``; 304 where ``If-None-Match`` names the same work."""
        node, now = node_asking(request), wiring.now()
        query = asked_of(node, read_horizon(request.query_params.get("horizon", "PT24H")))
        basis = basis_of(node.machine)
        tag = kept_tag(query, basis, now)
        response = None if tag is None else answered(request._request, tag)
        if tag is None or response is None:
            body, tag = work_and_tag(query, basis, now)
            made = HttpResponse(body, content_type="application/json")
            response = answered(request._request, tag, made)
        response["ETag"], response["Cache-Control"] = tag, CACHED
        hear_again(node.machine, node.heard_at, wiring.now(), wiring.silent_after())
        return response


class NodeReports(ApiView):
    """The node's journal, entry by entry."""

    permission_classes = (IsNode,)
    reads, shows = Reports, Accepted

    def post(self, request: Request) -> Response:
        """Take what is new in the batch. An entry sent again changes nothing.

        One that is not what was told under its number before shows a copied board, or a journal put back from an older
        copy: nothing of the batch is taken, a notice says so, and the node stops printing (409 ``journal-differs``).

        Fields that are not known here are ignored. An entry that is not understood, or that does not fit what is
        known of its run, is accepted and set aside as it was told. What no machine can have told, as of another
        machine's run, is refused with all that follows (422), and a notice says so; how the node is, is heard.
        """
        machine = node_asking(request).machine
        by = attribution(request)
        try:
            batch = read_batch(request.data)
            accepted_through = take(machine, batch, by)
            ENTRIES.inc(len(batch.entries))
        except InputError as error:
            say_refused(machine, error, by)
            hear(machine, read_status(request.data), wiring.now())
            raise
        except EntryDiffers as error:
            say_refused(machine, as_refused(error), by)
            raise
        hear(machine, batch.status, wiring.now())
        return Response(unstructure(Accepted(accepted_through=accepted_through)))
