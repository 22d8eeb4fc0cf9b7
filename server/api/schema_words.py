"""What the JSON Schemas of our dataclasses do not say by themselves, though the server holds it.

What an attribute means stands at the attribute; which of several forms is meant, the ``kind`` says, which has to be
there; and a whole number is one that every reader of JSON keeps.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any

from server.api.json_parser import LARGEST_WHOLE_NUMBER
from server.api.schema_bounds import say_bounds

# What a dataclass says of its fields stands below its sentence.
ATTRIBUTES = re.compile(r"\n+\s*Attributes:\n")
ATTRIBUTE = re.compile(r"^ {4}(\w[\w, ]*): (.*(?:\n {8}.*)*)", re.MULTILINE)
# What of these stands in a docstring is for programmers.
RAISES = re.compile(r"\n+\s*Raises:\n.*", re.DOTALL)


def completed(schemas: dict[str, Any]) -> dict[str, Any]:
    """Schemas by name, with all of that."""
    chosen_by_kind = {name for union in _unions(schemas) for name in _choices(union)}
    for name, schema in schemas.items():
        say_fields(schema)
        if schema.get("type") == "object":
            schema["additionalProperties"] = False
        if name in chosen_by_kind:
            schema["required"] = [*schema.get("required", ()), "kind"]
            del schema["properties"]["kind"]["default"]
    for union in _unions(schemas):
        if _choices(union):
            _choose_by_kind(union, schemas)
    for part in _parts(schemas):
        if isinstance(part.get("title"), str):  # a name, made from the field's
            del part["title"]
        if part.get("type") == "integer":
            part.setdefault("minimum", -LARGEST_WHOLE_NUMBER)
            part.setdefault("maximum", LARGEST_WHOLE_NUMBER)
    say_bounds(schemas)
    return schemas


def say_fields(schema: dict[str, Any]) -> None:
    """What the docstring says of each field goes to the field."""
    sentence, *attributes = ATTRIBUTES.split(RAISES.sub("", schema.get("description", "")))
    if sentence:
        schema["description"] = sentence
    for names, said in ATTRIBUTE.findall("".join(attributes)):
        for name in names.split(","):
            if (field := schema.get("properties", {}).get(name.strip())) is not None:
                field["description"] = " ".join(said.split())


def _parts(value: Any) -> Iterator[dict[str, Any]]:
    """Every schema in schemas, and every other object."""
    if isinstance(value, dict):
        yield value
    for inner in value.values() if isinstance(value, dict) else value if isinstance(value, list) else ():
        yield from _parts(inner)


def _unions(schemas: Mapping[str, Any]) -> list[dict[str, Any]]:
    return [part for part in _parts(schemas) if "anyOf" in part or "oneOf" in part]


def _choices(union: Mapping[str, Any]) -> list[str]:
    """The names of the forms that a union is of; none where it is of anything else."""
    found = [part.get("$ref", "") for part in union.get("anyOf", union.get("oneOf"))]
    return [one.rpartition("/")[2] for one in found] if len(found) > 1 and all(found) else []


def _choose_by_kind(union: dict[str, Any], schemas: Mapping[str, Any]) -> None:
    names = _choices(union)
    references = union.pop("anyOf", None) or union["oneOf"]
    kinds = {
        schemas[name]["properties"]["kind"]["const"]: part["$ref"] for name, part in zip(names, references, strict=True)
    }
    union["oneOf"] = references
    union["discriminator"] = {"propertyName": "kind", "mapping": kinds}
