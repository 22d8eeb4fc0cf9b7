"""The API's description as people read it: its calls by what they are about, and the forms of what is sent and told."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

METHODS = ("get", "post", "put", "patch", "delete")
HEAD = "/api/v1/"
KINDS = {
    "string": "text", "integer": "whole number", "number": "number", "boolean": "true or false", "null": "null",
    "object": "object", "array": "list",
}  # fmt: skip
FORMATS = {"date-time": "instant", "date": "date", "binary": "file", "uri-reference": "address"}


@dataclass(frozen=True)
class Part:
    """A word of what kind a value is; ``form`` where it is the name of one that is described."""

    text: str
    form: str = ""


@dataclass(frozen=True)
class Field:
    """A field of a body, or a query or header of a call."""

    name: str
    kind: tuple[Part, ...]
    said: str
    is_required: bool


@dataclass(frozen=True)
class Form:
    """What is sent or told has this form.

    Attributes:
        kind: of what is no object of its own fields.
    """

    name: str
    said: str
    kind: tuple[Part, ...]
    fields: tuple[Field, ...]


@dataclass(frozen=True)
class Body:
    """What is sent with a call: its media type, its form, and an example."""

    media_type: str
    form: Form
    example: str


@dataclass(frozen=True)
class Told:
    """An answer, by its status."""

    status: str
    said: str
    kind: tuple[Part, ...]


@dataclass(frozen=True)
class Call:
    """Something that can be asked for."""

    id: str
    method: str
    path: str
    summary: str
    said: str
    asked_with: tuple[Field, ...]
    bodies: tuple[Body, ...]
    told: tuple[Told, ...]


@dataclass(frozen=True)
class Reference:
    """All of it: calls by what they are about, forms by name."""

    keys: tuple[str, ...]
    calls: Mapping[str, tuple[Call, ...]]
    forms: tuple[Form, ...]


def reference(description: bytes) -> Reference:
    """An OpenAPI 3.1 document, read."""
    said = json.loads(description)
    calls: dict[str, list[Call]] = {}
    answers = said["components"].get("responses", {})
    for path, methods in said["paths"].items():
        for method in METHODS:
            if method in methods:
                about = path.removeprefix(HEAD).partition("/")[0]
                calls.setdefault(about, []).append(_call(method, path, methods[method], answers))
    parts = said["components"]
    return Reference(
        keys=tuple(plain(one["description"]) for one in parts["securitySchemes"].values()),
        calls={about: tuple(found) for about, found in sorted(calls.items())},
        forms=tuple(_form(name, schema) for name, schema in sorted(parts["schemas"].items())),
    )


def plain(text: str) -> str:
    """A description without the marks that tell code from words."""
    return re.sub(r"`+", "", " ".join(text.split()))


def _call(method: str, path: str, said: Mapping[str, Any], answers: Mapping[str, Any]) -> Call:
    return Call(
        id=said["operationId"],
        method=method.upper(),
        path=path,
        summary=plain(said.get("summary", "")),
        said=plain(said.get("description", "")),
        asked_with=tuple(_asked(one) for one in said.get("parameters", ()) if one["in"] != "path"),
        bodies=tuple(_bodies(said.get("requestBody", {}).get("content", {}))),
        told=tuple(_told(status, _answer(one, answers)) for status, one in sorted(said["responses"].items())),
    )


def _answer(one: Mapping[str, Any], answers: Mapping[str, Any]) -> Mapping[str, Any]:
    """Itself, or the one among those of many calls that it names."""
    found: Mapping[str, Any] = answers[one["$ref"].rpartition("/")[2]] if "$ref" in one else one
    return found


def _asked(one: Mapping[str, Any]) -> Field:
    kind = (*_kind(one["schema"]), Part({"header": ", a header", "cookie": ", a cookie"}.get(one["in"], "")))
    return Field(one["name"], kind, plain(one.get("description", "")), bool(one.get("required")))


def _bodies(content: Mapping[str, Any]) -> Iterator[Body]:
    for media_type, one in content.items():
        example = json.dumps(one["example"], indent=2, ensure_ascii=False) if "example" in one else ""
        yield Body(media_type, _form("", one.get("schema", {})), example)


def _told(status: str, one: Mapping[str, Any]) -> Told:
    found = [part for media in one.get("content", {}).values() for part in _kind(media.get("schema", {}))]
    return Told(status, plain(one.get("description", "")), tuple(found))


def _form(name: str, schema: Mapping[str, Any]) -> Form:
    needed = schema.get("required", ())
    fields = tuple(
        Field(field, tuple(_kind(one)), plain(one.get("description", "")), field in needed)
        for field, one in schema.get("properties", {}).items()
    )
    return Form(name, plain(schema.get("description", "")), () if fields else tuple(_kind(schema)), fields)


def _kind(schema: Mapping[str, Any]) -> Iterator[Part]:
    """What a value may be, in words."""
    if "$ref" in schema:
        name = schema["$ref"].rpartition("/")[2]
        yield Part(name, name)
    elif found := schema.get("oneOf") or schema.get("anyOf") or schema.get("allOf"):
        for number, one in enumerate(found):
            yield from (Part(" or "),) if number else ()
            yield from _kind(one)
    elif "const" in schema:
        yield Part(json.dumps(schema["const"]))
    elif "enum" in schema:
        yield Part(" or ".join(json.dumps(one) for one in schema["enum"]))
    elif schema.get("type") == "array":
        yield Part("list of ")
        yield from _kind(schema.get("items", {}))
    else:
        names = schema.get("type", [])
        words = [KINDS[name] for name in ([names] if isinstance(names, str) else names)]
        told = " or ".join(words) or "anything"
        yield Part(told.replace("text", FORMATS.get(schema.get("format", ""), "text")))
