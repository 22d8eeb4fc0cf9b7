"""Conditions of a request (RFC 9110 section 13): what was fetched before, what nobody may have changed meanwhile."""

from __future__ import annotations

import hashlib
from abc import ABC, abstractmethod
from collections.abc import Callable, Sequence
from typing import Any, ClassVar, overload

from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.utils.cache import get_conditional_response
from django.utils.http import parse_etags
from rest_framework.request import Request
from rest_framework.response import Response

from scheduling.log.codec.canonical_json import canonical
from server.api.base_views import ApiView
from server.api.problems import ConditionNeeded, MovedOn


@overload
def answered(request: HttpRequest, tag: str, response: HttpResponse) -> HttpResponseBase: ...


@overload
def answered(request: HttpRequest, tag: str, response: None = None) -> HttpResponseBase | None: ...


def answered(request: HttpRequest, tag: str, response: HttpResponse | None = None) -> HttpResponseBase | None:
    """The answer as it stands, or 304 where the asker has it; None where it has to be made first.

    Raises:
        MovedOn: the asker wanted it only as it was.
    """
    given = get_conditional_response(request, etag=tag, response=response)
    if given is not None and given.status_code == 412:
        raise MovedOn(tag)
    if given is not None:
        given["ETag"] = tag
    return given


def tag_of(value: Any) -> str:
    """The strong tag of a JSON value."""
    return f'"{hashlib.sha256(canonical(value).encode()).hexdigest()}"'


def two_part_tag(said: Any, shown: Any) -> str:
    """The strong tag of a JSON value that people and machines change: of what people said of it, a dot, and the whole.
    Who changes what people said names the first part; see `require_match`."""
    return f"{tag_of(said)[:-1]}.{tag_of(shown)[1:]}"


def said_part(tag: str) -> str:
    """Of a tag, what people can have changed: all of it, where it is of one part."""
    return tag.partition(".")[0].strip('"')


def require_match(
    request: Request, tag: str, since: Callable[[Sequence[str]], list[dict[str, Any]] | None] = lambda _: None
) -> None:
    """See that the request is about what stands there now. Of a tag in two parts the first is compared: what a machine
    tells meanwhile is no reason to ask again.

    Args:
        request: with the condition.
        tag: of what stands there.
        since: what was changed since it had one of some tags; None where that is not known.

    Raises:
        ConditionNeeded: it does not say.
        MovedOn: it is about what stood there before.
    """
    text = request.headers.get("If-Match", "")
    if not text:
        raise ConditionNeeded(f"Say with If-Match what is to be replaced; it has the tag {tag}.")
    given = parse_etags(text)
    if text.strip() != "*" and said_part(tag) not in map(said_part, given):
        raise MovedOn(tag, since(given))


class Replaced(ApiView, ABC):
    """What is kept as a whole, or not at all (null): fetched with a tag, and replaced by whoever names that tag.

    Attributes:
        held: the dataclass, or None.
    """

    held: ClassVar[Any]

    @abstractmethod
    def stands(self, pk: str) -> Any:
        """What stands there, as JSON."""

    def get(self, request: Request, pk: str) -> HttpResponseBase:
        """As it stands, null while nobody has set it. Its ``ETag`` is what ``If-Match`` names when it is replaced."""
        value = self.stands(pk)
        response = HttpResponse(
            canonical(value), content_type="application/json", headers={"Cache-Control": "private, no-cache"}
        )
        return answered(request._request, tag_of(value), response)

    def shown(self, row: Any, value: Any) -> Response:
        """The answer to having replaced it, with the tag of the value that stands in it: another may stand by now."""
        return Response(row, headers={"ETag": tag_of(value)})
