"""The API's description, OpenAPI 3.1: what the code does not show by itself.

Bodies are described by the very dataclasses that they are read as, so the description cannot drift from the check.
"""

from __future__ import annotations

from dataclasses import is_dataclass
from typing import Any, get_args, get_origin

from drf_spectacular.extensions import OpenApiAuthenticationExtension, OpenApiSerializerFieldExtension
from drf_spectacular.openapi import AutoSchema
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter
from pydantic import TypeAdapter
from rest_framework.permissions import SAFE_METHODS, AllowAny

from machines.imaging.dot_gain import ToneCurve
from machines.imaging.pictures import Picture
from machines.model.calibration import Calibration
from machines.model.profile import Profile
from machines.protocol.messages import Reports, Work
from machines.recovery import Decision, Gap, Policy, Rule
from scheduling.commands import handlers
from scheduling.commands.changes import Preview
from scheduling.commands.preview_run import RunCheck
from scheduling.nodes.board_holds import BoardKnows
from scheduling.paper.geometry import Geometry
from scheduling.paper.next_passage import Passage
from scheduling.planning.opening_hours import Hours
from scheduling.planning.quiet_hours import QuietHours
from scheduling.planning.service_windows import Once, Weekly
from scheduling.rendering.upload_store import Uploaded
from scheduling.supplies.consumption import PartSupplies
from scheduling.supplies.forecast import Forecast
from server.accounts.authentication import HasKey, IsNode
from server.accounts.boards import Boards, CodeKnown
from server.accounts.enrolment import Code, NewCredentials
from server.accounts.principals import ROLES
from server.accounts.roles import in_words, roles_for
from server.api.changes import Act, Changeable, ChangeView, Reason
from server.api.histories import History, Versions
from server.api.node import Accepted, ClockAnswer, Enrol
from server.api.overrides import Decide
from server.api.problems import MEDIA_TYPE
from server.api.proofs import Seam
from server.api.runs import ContinueRun, EndRun, Held, HoldRun, SucceedRun
from server.api.service_windows import CallOff, ComingServices, TakeBack
from server.api.venues import SetHours, SetQuietHours

READ = (
    *get_args(handlers.Command),
    CallOff,
    ContinueRun,
    Decide,
    EndRun,
    Enrol,
    HoldRun,
    Reason,
    Reports,
    SetHours,
    SetQuietHours,
    SucceedRun,
    TakeBack,
)
SHOWN = (
    Picture,
    Profile,
    Policy,
    Rule,
    Gap,
    Decision,
    Work,
    Code,
    NewCredentials,
    ClockAnswer,
    Accepted,
    ToneCurve,
    Uploaded,
    Seam,
    Forecast,
    Geometry,
    Hours,
    QuietHours,
    Calibration,
    PartSupplies,
    Passage,
    Once,
    Weekly,
    ComingServices,
    RunCheck,
    Boards,
    CodeKnown,
    Preview,
    Held,
    History,
    Versions,
    BoardKnows,
)
REFERENCE = "#/components/schemas/{model}"

PROBLEM = {
    "type": "object",
    "description": "Problem details, RFC 9457. Where one field is to blame, `field`, `problem` and `remedy` name it.",
    "required": ["type", "title", "status", "detail", "instance"],
    "properties": {
        "type": {"type": "string", "format": "uri-reference", "description": "Which problem; the address explains it."},
        "title": {"type": "string"},
        "status": {"type": "integer"},
        "detail": {"type": "string", "description": "What happened this time, for people."},
        "instance": {"type": "string", "format": "uri", "description": "The request's number, as in the server's log."},
        "field": {"type": "string", "description": "Where it stands, such as `profile.head.nozzles`."},
        "problem": {"type": "string", "description": "What is wrong with it."},
        "remedy": {"type": "string", "description": "What would be right."},
        "needed": {
            "type": "array",
            "description": "Where the role of the key does not include what was ordered: the roles that do.",
            "items": {"enum": list(ROLES)},
        },
        "readings": {
            "type": "array",
            "description": "Where a local time does not exist or exists twice: what it may mean, to choose from.",
            "items": {
                "type": "object",
                "required": ["which", "at"],
                "properties": {
                    "which": {"enum": ["earlier", "later"]},
                    "at": {"type": "string", "format": "date-time"},
                },
            },
        },
    },
}

PARAMETERS = {
    "limit": OpenApiParameter("limit", int, description="Rows in a page, 1 to 1000; 100 where not given."),
    "cursor": OpenApiParameter("cursor", str, description="Where the page begins: `next` of the page before."),
    "stream": OpenApiParameter("stream", str, description="Only of this stream, `kind/id`."),
    "kind": OpenApiParameter("kind", str, description="Only of this kind."),
    "at": OpenApiParameter("at", OpenApiTypes.DATETIME, required=True, description="What had happened by then."),
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


def refer(dataclass: Any) -> dict[str, Any]:
    """A reference to the schema of a dataclass, or to those of a union; several of one, or of texts, are an array."""
    if get_origin(dataclass) in (list, tuple):
        one = get_args(dataclass)[0]
        return {"type": "array", "items": refer(one) if is_dataclass(one) else TypeAdapter(one).json_schema()}
    members = [part for part in get_args(dataclass) or (dataclass,) if part is not type(None)]
    references: list[dict[str, Any]] = [{"$ref": REFERENCE.format(model=part.__name__)} for part in members]
    if type(None) in get_args(dataclass):
        references.append({"type": "null"})
    return references[0] if len(references) == 1 else {"oneOf": references}


def patch_of(changeable: Changeable) -> dict[str, Any]:
    """The schema of a merge patch: what a resource is ordered as, and why it is changed; anything may be left out."""
    ordered = TypeAdapter(changeable.command).json_schema(ref_template=REFERENCE)["properties"]
    changed = {name: schema for name, schema in ordered.items() if name not in changeable.fixed}
    for schema in changed.values():
        schema.pop("default", None)
    reason = {"type": ["string", "null"], "description": "Why, for the record."}
    return {"type": "object", "properties": changed | {"reason": reason}, "additionalProperties": False}


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


def _dataclass_schemas() -> dict[str, Any]:
    wanted: list[Any] = [(part, "validation", TypeAdapter(part)) for part in (*READ, *SHOWN)]
    _, schemas = TypeAdapter.json_schemas(wanted, ref_template=REFERENCE)
    definitions: dict[str, Any] = schemas["$defs"]
    for schema in definitions.values():
        if schema.get("type") == "object":
            schema["additionalProperties"] = False
    return definitions


def complete(result: dict[str, Any], generator: Any, request: Any, public: bool) -> dict[str, Any]:
    """Put in the dataclasses' schemas, and the problem that every call may answer with."""
    result["components"]["schemas"] |= _dataclass_schemas() | {"Problem": PROBLEM}
    for operations in result["paths"].values():
        for operation in operations.values():
            operation["responses"]["default"] = problem_answer("Whatever goes wrong.")
            operation.get("requestBody", {})["required"] = True
            for status, answer in operation["responses"].items():
                answer["headers"] = _headers_of(status)
    return result


def _header(said: str) -> dict[str, Any]:
    return {"description": said, "schema": {"type": "string"}}


def _headers_of(status: str) -> dict[str, Any]:
    """Heads that an answer has, or may have."""
    heads = {"X-Request-Id": _header("The request's number, as in the server's log.")}
    if status.startswith("2"):
        heads["ETag"] = _header("Where it can be fetched or replaced on a condition: its strong tag.")
    if status == "201":
        heads["Location"] = _header("Where what was added is shown, if it has an address.")
    if status == "default":
        heads["Retry-After"] = _header(
            "With 409, 429 and 503, where the same request may be sent again: after seconds."
        )
        heads["Allow"] = _header("With 405: the methods that there are.")
        heads["WWW-Authenticate"] = _header("With 401: how to come in.")
    return heads
