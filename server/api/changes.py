"""Changing what was said: a merge patch of a resource, or an act upon it; looked at first, where that is asked for.

Whoever changes something names with ``If-Match`` what he has seen. ``?preview=true`` answers what would be done and
does nothing. What has warnings is done only where ``?accept=`` names their kinds. With ``Idempotency-Key`` the same
request sent again, as its answer was lost, is done once.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar

from django.shortcuts import get_object_or_404
from drf_spectacular.utils import OpenApiParameter
from rest_framework.request import Request
from rest_framework.response import Response

from machines.errors import InputError
from machines.serialization import structure, unstructure
from scheduling.commands.changes import Accepted, Change, KeyedOrder, make, patched, was_made
from scheduling.commands.run_figures import Stores
from scheduling.log.moment import AsOf
from scheduling.log.store import stream_version
from scheduling.nodes.board_holds import BoardHolds
from scheduling.queries.history import Shown, states
from server import wiring
from server.api.base_views import ApiView, asked_for, attribution
from server.api.conditional import answered, require_match, said_part, tag_of, two_part_tag
from server.api.json_parser import BodyParser, MergePatchParser
from server.api.past import PastItem, asked_moment
from server.api.serializers import Row

LONGEST_KEY = 100
KINDS_OF_WARNINGS = re.compile(r"[a-z]+(-[a-z]+)*(,[a-z]+(-[a-z]+)*)*", re.ASCII)
ORDERED_WITH: Mapping[str, OpenApiParameter] = {
    "preview": OpenApiParameter("preview", bool, description="Answer what it would do, and do nothing."),
    "accept": OpenApiParameter(
        "accept",
        str,
        description="Do it although it has warnings of these kinds, with commas between them: they are meant. One of"
        " another kind, that has come up since, is told first. `true` for whatever it warns of, unseen.",
    ),
    "If-Match": OpenApiParameter(
        "If-Match",
        str,
        OpenApiParameter.HEADER,
        required=True,
        description="The `ETag` of what is changed, as GET told it; 412 where it has changed since, 428 without. Of a"
        " tag in two parts, with a dot between them, only the first is compared, of what people said: the second tells"
        " what machines have told since.",
    ),
    "Idempotency-Key": OpenApiParameter(
        "Idempotency-Key",
        str,
        OpenApiParameter.HEADER,
        description=f"A text of your own, at most {LONGEST_KEY} characters: sent again with the very same request, "
        "that is done once and answered anew.",
    ),
}


@dataclass(frozen=True, kw_only=True)
class Reason:
    """Why it is done, for the record; may be left out."""

    reason: str | None = None


@dataclass(frozen=True)
class AnAct:
    """Something that is done to one of a resource as a whole.

    Attributes:
        work_out: what it would make of a row: the row, now, the version of its stream, and by name what is asked for
            beside the reason.
        said: what the API's description says of it.
        reads: a dataclass of what is asked for, the ``reason`` among it.
        with_stores: whether files are looked at for it: it is given ``stores``, too.
        any_state: whether it may be done without a word on what was seen, as clients do that are older than conditions.
    """

    work_out: Callable[..., Change]
    said: str
    reads: type[Any] = Reason
    any_state: bool = False
    with_stores: bool = False


@dataclass(frozen=True, kw_only=True)
class Changeable:
    """What the API has to know of a resource to change it.

    Attributes:
        kind: of its streams.
        model: its table.
        serializer: that shows its rows.
        command: what one is ordered as.
        as_ordered: the command by which a row would be what it is.
        fixed: fields of the command that are never changed.
        shown: what its history tells of.
        change: works out what a command would make of a row: the row, the command, now, the version of its stream; None
            where its fields are not changed one by one.
        venue_of: id of the venue that it belongs to, or of each; None where it belongs to none.
        acts: what is done to one as a whole, by the last part of the address.
        see: looks at a picture itself, with its file, where a command brings another: the row, the command, the files.
        has_versions: whether runs name the version of it that they were planned with.
        with_stores: whether files are looked at for a change: it is given ``stores``, too.
        is_told_of: whether machines change its rows, too, by what they tell: its tag has two parts then.
        held: what a machine's board holds of it; None where no board holds anything of its kind.
    """

    kind: str
    model: type[Any]
    serializer: type[Row]
    command: type[Any]
    as_ordered: Callable[[Any], Any]
    fixed: tuple[str, ...]
    shown: Shown
    change: Callable[..., Change] | None
    venue_of: Callable[[Any], str | tuple[str, ...] | None]
    acts: Mapping[str, AnAct]
    see: Callable[..., None] = lambda *_: None
    has_versions: bool = False
    with_stores: bool = False
    is_told_of: bool = False
    held: Callable[[Any], BoardHolds | None] = lambda _: None

    def stream(self, pk: str) -> str:
        """What is said of one of them."""
        return f"{self.kind}/{pk}"

    def tag(self, row: Any) -> str:
        """The strong tag of a row as it is shown."""
        shown = self.serializer(row).data
        return two_part_tag(self.shown(row), shown) if self.is_told_of else tag_of(shown)


class ChangeView(ApiView):
    """Works out a change, shows it or makes it, and answers with the row as it then is.

    Attributes:
        changeable: of which resource.
        any_state: whether it may be ordered without ``If-Match``.
    """

    changeable: Any = None
    any_state: bool = False
    ordered_with: ClassVar[Mapping[str, OpenApiParameter]] = ORDERED_WITH

    def carried_out(
        self, request: Request, pk: str, work_out: Callable[[Any, int], Change], reason: str | None
    ) -> Response:
        """The answer to an order.

        Args:
            request: with the condition, and what is to be done with the change.
            pk: of what is changed.
            work_out: what the order would make of a row, whose stream has a version.
            reason: why.
        """
        what: Changeable = self.changeable
        stream = what.stream(pk)
        version = stream_version(stream)  # read first: whoever changes it from here on is noticed
        row = get_object_or_404(what.model, pk=pk)
        by = attribution(request, what.venue_of(row))
        is_preview, once = asked_for(request, "preview"), _once(request)
        if is_preview or not was_made(stream, once, by.actor):
            if not self.any_state or "If-Match" in request.headers:
                require_match(request, what.tag(row), lambda given: self._since(pk, given))
            change = work_out(row, version)
            if is_preview:
                return Response(unstructure(change.preview))
            make(change, reason, by, wiring.chance(), accepted=accepted(request), once=once)
            row.refresh_from_db()
        return Response(what.serializer(row).data, headers={"ETag": what.tag(row)})

    def _since(self, pk: str, given: Sequence[str]) -> list[dict[str, Any]] | None:
        """What was changed since a row had one of some tags; None where it never had."""
        what: Changeable = self.changeable
        since: list[dict[str, Any]] | None = None
        for step, row in states(what.model, what.stream(pk), what.shown):
            if since is not None:
                since.append(unstructure(step))
            if said_part(what.tag(row)) in map(said_part, given):
                since = []
        return since


class Tagged(ChangeView, PastItem):
    """One of a resource that can be changed: as it stands, with its tag, or as it was."""

    def retrieve(self, request: Request, *args: Any, **kwargs: Any) -> Any:
        """With its tag, where it is asked for as it stands; 304 where the asker has it."""
        row = self.get_object()
        response = Response(self.get_serializer(row).data)
        if asked_moment(request) != AsOf():
            return response
        tag = self.changeable.tag(row)
        response["ETag"], response["Cache-Control"] = tag, "no-cache"
        return answered(request._request, tag, response)


class Changing(Tagged):
    """The same, and changed by a merge patch."""

    def get_parsers(self) -> list[Any]:
        """JSON, and under the name that RFC 7396 gives it."""
        return [BodyParser(), MergePatchParser()]

    def patch(self, request: Request, pk: str) -> Response:
        """Change some of its fields: a merge patch (RFC 7396), with a ``reason`` for the record beside them."""
        what, (body, reason) = self.changeable, apart_from_reason(request.data)

        def work_out(row: Any, version: int) -> Change:
            command = structure(patched(what.as_ordered(row), body, what.fixed), what.command)
            what.see(row, command, wiring.uploads())
            change: Change = what.change(row, command, wiring.now(), version, **_stores(what.with_stores))
            return change

        return self.carried_out(request, pk, work_out, reason)


class Act(ChangeView):
    """Something that is done to one of a resource as a whole.

    Attributes:
        command: works out what it would make of a row, see `AnAct`.
        with_stores: as there.
    """

    reads: Any = Reason
    with_stores: bool = False
    answers = 200

    def post(self, request: Request, pk: str) -> Response:
        """Do it. What is so already stays as it is, and nothing is written."""
        asked = dict(vars(structure(request.data, self.reads)))
        reason = asked.pop("reason")

        def work_out(row: Any, version: int) -> Change:
            change: Change = self.command(row, wiring.now(), version, **asked, **_stores(self.with_stores))
            return change

        return self.carried_out(request, pk, work_out, reason)


def apart_from_reason(body: Any) -> tuple[Any, str | None]:
    """What is ordered, and the ``reason`` beside it.

    Raises:
        InputError: of the reason.
    """
    if not isinstance(body, dict):
        return body, None
    ordered = dict(body)  # a copy: the order is known again by all of it
    return ordered, structure({"reason": ordered.pop("reason", None)}, Reason).reason


def accepted(request: Request) -> Accepted:
    """Which warnings are meant."""
    text = request.query_params.get("accept", "false")
    if text in ("true", "false"):
        return text == "true"
    if not KINDS_OF_WARNINGS.fullmatch(text):
        raise InputError("accept", f"{text!r} names no warnings", "give their kinds, with commas between, or true")
    return frozenset(text.split(","))


def _stores(asked: bool) -> dict[str, Stores]:
    """Where files lie, for a change that looks at them."""
    return {"stores": Stores(uploads=wiring.uploads(), plates=wiring.plates())} if asked else {}


def _once(request: Request) -> KeyedOrder | None:
    """The order as its client will know it again; None where it named none."""
    key = request.headers.get("Idempotency-Key")
    if key is None:
        return None
    if not 1 <= len(key) <= LONGEST_KEY or not key.isprintable():
        raise InputError("Idempotency-Key", "empty, too long or unreadable", f"give 1 to {LONGEST_KEY} characters")
    return KeyedOrder(key, {"method": request.method, "path": request.path, "body": request.data})
