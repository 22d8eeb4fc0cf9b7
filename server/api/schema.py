"""The API's description, OpenAPI 3.1: what the code does not show by itself.

Bodies are described by the very dataclasses that they are read as, so the description cannot drift from the check.
"""

from __future__ import annotations

import re
from typing import Any

from drf_spectacular.extensions import OpenApiAuthenticationExtension, OpenApiSerializerFieldExtension
from drf_spectacular.openapi import AutoSchema
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter
from rest_framework.permissions import SAFE_METHODS, AllowAny

from scheduling.commands.changes import Preview
from server.accounts.authentication import HasKey, IsNode
from server.accounts.roles import in_words, roles_for
from server.api.changes import Act, ChangeView
from server.api.examples import example_of
from server.api.problems import MEDIA_TYPE
from server.api.schema_answers import answer_components, say_answers
from server.api.schema_components import PROBLEM, REFERENCE, dataclass_schemas, patch_of, refer
from server.api.schema_words import say_fields

SENTENCE_ENDS = re.compile(r"(?<=\.)\s|\n\n|[:;]\s")
PARAMETERS = {
    "limit": OpenApiParameter("limit", int, description="Rows in a page, 1 to 1000; 100 where not given."),
    "cursor": OpenApiParameter("cursor", str, description="Where the page begins: `next` of the page before."),
    "stream": OpenApiParameter("stream", str, description="Only of this stream, `kind/id`."),
    "kind": OpenApiParameter("kind", str, description="Only of this kind."),
    "at": OpenApiParameter("at", OpenApiTypes.DATETIME, required=True, description="What had happened by then."),
    "from_column": OpenApiParameter(
        "from_column", int, description="Only segments and strips that end after this running column; all without it."
    ),
    "known_by": OpenApiParameter("known_by", OpenApiTypes.DATETIME, description="Only what the server knew by then."),
    "profile": OpenApiParameter("profile", str, description="Id of the profile to print on."),
    "venue": OpenApiParameter("venue", str, description="Id of the venue under whose sky and in whose time."),
    "cycle": OpenApiParameter(
        "cycle", str, description="A cycle without options; the picture's usual one if not given."
    ),
    "view": OpenApiParameter("view", str, enum=["rulers", "true"], description="Scaled with rulers, or true dots."),
    "dead": OpenApiParameter("dead", str, description="Nozzles or elements that are dead, from 0, such as `3,7`."),
    "slip": OpenApiParameter("slip", float, description="Share of the feed that is lost, such as 0.01."),
    "show": OpenApiParameter(
        "show", str, enum=["hanging", "last-metre"], description="What hangs, where there is a knife, if not given."
    ),
    "horizon": OpenApiParameter("horizon", str, description="ISO 8601 duration up to P31D; PT24H where not given."),
}


IF_ANY = "The `ETag` of what is changed, as GET told it; 412 where it has changed since. Without it, as it stands."
IF_MATCH = OpenApiParameter(
    "If-Match",
    str,
    OpenApiParameter.HEADER,
    required=True,
    description="The `ETag` of what is replaced, as GET told it; 412 where it has changed since, 428 without.",
)


def ordered_with(view: Any) -> dict[str, OpenApiParameter]:
    """Queries and headers of an order."""
    known: dict[str, OpenApiParameter] = dict(getattr(view, "ordered_with", {}))
    if getattr(view, "any_state", False):
        known["If-Match"] = OpenApiParameter("If-Match", str, OpenApiParameter.HEADER, description=IF_ANY)
    return known


class Schema(AutoSchema):
    """Adds the dataclasses that a view reads and shows: its ``command``, or ``reads`` and ``shows`` by method."""

    def get_override_parameters(self) -> list[Any]:
        """The queries that the view knows."""
        if self.method == "PUT" and hasattr(self.view, "held") and not ordered_with(self.view):
            return [IF_MATCH]
        if self.method != "GET":
            return list(ordered_with(self.view).values())
        described = PARAMETERS | getattr(self.view, "described", {})
        return [described[name] for name in getattr(self.view, "parameters", ())]

    def _command(self) -> Any:
        return getattr(self.view, "command", None)

    def get_auth(self) -> list[dict[str, Any]]:
        """With what one comes in here."""
        for permission, scheme in ((HasKey, KeyScheme), (IsNode, NodeScheme)):
            if permission in self.view.permission_classes:
                return [{scheme.name: []}]
        return [scheme for scheme in super().get_auth() if scheme or AllowAny in self.view.permission_classes]

    def get_operation(self, *args: Any, **kwargs: Any) -> dict[str, Any] | None:
        """The call, and who may not make it though what they come in with is good."""
        operation = super().get_operation(*args, **kwargs)
        says = self.method == "GET" or isinstance(self.view, Act)
        if operation is not None and says and (said := getattr(self.view, "said", "")):
            operation["description"] = said
        if operation is not None and (whom := self._refused()) is not None:
            operation["responses"]["403"] = problem_answer(whom)
        return operation

    def _refused(self) -> str | None:
        """Whom 403 is for; None where it is for nobody."""
        if IsNode in self.view.permission_classes:
            return "For whoever comes with a key: only a node may do this."
        if HasKey not in self.view.permission_classes:
            return None
        if self.method in SAFE_METHODS:
            return "For a node: only somebody with a key may do this."
        needed = roles_for(self._command())
        where = " A curator may be bound to some venues, and then only for those." if "curator" in needed else ""
        return f"For a node, and for a key of another role: only {in_words(needed)} may do this.{where}"

    def get_request_serializer(self) -> Any:
        """The body."""
        reads = getattr(self.view, "reads", None) or self._command()
        if self.method == "PATCH" and isinstance(self.view, ChangeView):
            return {"application/merge-patch+json": patch_of(self.view.changeable)}
        if self.method not in ("POST", "PUT"):
            return super().get_request_serializer()
        if isinstance(reads, dict):
            return reads
        if not isinstance(reads, type):  # nothing, or the function that carries the command out
            return None
        return {"application/json": refer(reads)}

    def get_response_serializers(self) -> Any:
        """The answer."""
        if self.method == "GET" and hasattr(self.view, "held"):
            return {200: refer(self.view.held)}
        if self.method != "GET" and isinstance(self.view, ChangeView):
            row = {"$ref": REFERENCE.format(model=self.view.changeable.serializer.__name__)}
            return {200: {"oneOf": [row, refer(Preview)]}}
        shows = getattr(self.view, "shows", None)
        adds = self.method == "POST" and self._command() is not None
        status = getattr(self.view, "answers", 201 if adds else 200)
        if shows is not None and self.method != "GET" and getattr(self.view, "previews", False):
            return {status: {"oneOf": [refer(shows), refer(Preview)]}}
        if shows is not None:
            return shows if isinstance(shows, dict) else {status: refer(shows)}
        looked_at = {200: refer(Preview)} if adds and getattr(self.view, "preview", None) is not None else {}
        return {status: super().get_response_serializers(), **looked_at}


class StoredField(OpenApiSerializerFieldExtension):
    """A column that holds a dataclass."""

    target_class = "server.api.serializers.Stored"

    def map_serializer_field(self, auto_schema: AutoSchema, direction: str) -> dict[str, Any]:
        """The dataclass's schema."""
        return refer(self.target.dataclass)


class KeyScheme(OpenApiAuthenticationExtension):
    """How the studio, a curator or a reader comes in."""

    target_class = "server.accounts.authentication.KeyAuthentication"
    name = "studioKey"

    def get_security_definition(self, auto_schema: AutoSchema) -> dict[str, Any]:
        """A bearer token."""
        said = "A key, from `dayroll studio-key NAME`, or for a curator or a reader from `dayroll key make`."
        return {"type": "http", "scheme": "bearer", "description": said}


class NodeScheme(OpenApiAuthenticationExtension):
    """How a node comes in."""

    target_class = "server.accounts.authentication.NodeAuthentication"
    name = "nodeToken"

    def get_security_definition(self, auto_schema: AutoSchema) -> dict[str, Any]:
        """A bearer token."""
        return {"type": "http", "scheme": "bearer", "description": "A node's token, from `POST node/enrol`."}


def problem_answer(said: str) -> dict[str, Any]:
    """An answer with problem details."""
    return {"description": said, "content": {MEDIA_TYPE: {"schema": {"$ref": REFERENCE.format(model="Problem")}}}}


def complete(result: dict[str, Any], generator: Any, request: Any, public: bool) -> dict[str, Any]:
    """Put in the dataclasses' schemas, the problem that every call may answer with, an example of each body, and what
    each call does in a few words: the first sentence of what is said of it."""
    for schema in result["components"]["schemas"].values():
        say_fields(schema)
    result["components"]["responses"] = answer_components()
    result["components"]["schemas"] |= dataclass_schemas() | {"Problem": PROBLEM}
    for path, operations in result["paths"].items():
        for method, operation in operations.items():
            operation["summary"] = _first_sentence(operation["description"])
            if (example := example_of(method, path)) is not None:
                for body in operation["requestBody"]["content"].values():
                    body["example"] = example
            operation.get("requestBody", {})["required"] = True
            for status, answer in operation["responses"].items():
                answer["headers"] = _headers_of(status)
            say_answers(operation, method, path)
    return result


def _first_sentence(said: str) -> str:
    return " ".join(SENTENCE_ENDS.split(said, maxsplit=1)[0].split()).rstrip(".")


def _header(said: str) -> dict[str, Any]:
    return {"description": said, "schema": {"type": "string"}}


def _headers_of(status: str) -> dict[str, Any]:
    """Heads that an answer has, or may have."""
    heads = {"X-Request-Id": _header("The request's number, as in the server's log.")}
    if status.startswith("2"):
        heads["ETag"] = _header("Where it can be fetched or replaced on a condition: its strong tag.")
    if status == "201":
        heads["Location"] = _header("Where what was added is shown, if it has an address.")
    return heads
