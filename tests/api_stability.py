"""Whether the API still keeps what it said: `python -m tests.api_stability` compares its description with the one that
lies in the repository, which is that of the last release; `make schema` puts the present one in its place.

What may change within a version stands at the end of `machines/protocol/NODE.md`: members come in addition, what is
asked for gets no stricter, what is told leaves nothing out. A reader ignores what it does not know, so that further
members and further values of ``kind`` break nobody.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

RELEASED = Path(__file__).parents[1] / "server" / "api" / "openapi.json"
METHODS = ("get", "post", "put", "patch", "delete")
# A bound of what is asked for that falls, or rises, refuses what was taken.
UPPER = ("maximum", "exclusiveMaximum", "maxLength", "maxItems")
LOWER = ("minimum", "exclusiveMinimum", "minLength", "minItems")


def breaking(before: Mapping[str, Any], now: Mapping[str, Any]) -> list[str]:
    """What a caller that goes by the description of before can stumble over, each in words."""
    return list(dict.fromkeys(_calls(before, now)))


def _calls(before: Mapping[str, Any], now: Mapping[str, Any]) -> Iterator[str]:
    for path, methods in before["paths"].items():
        for method in (one for one in METHODS if one in methods):
            said, there = methods[method], now["paths"].get(path, {}).get(method)
            where = f"{method.upper()} {path}"
            if there is None:
                yield f"{where} is gone"
                continue
            yield from _parameters(said, there, where)
            for media_type, body in said.get("requestBody", {}).get("content", {}).items():
                other = there.get("requestBody", {}).get("content", {}).get(media_type)
                if other is None:
                    yield f"{where} takes no {media_type} any more"
                else:
                    yield from _Walk(before, now, asks=True).differ(body["schema"], other["schema"], where)
            yield from _answers(before, now, said["responses"], there["responses"], where)


def _parameters(said: Mapping[str, Any], there: Mapping[str, Any], where: str) -> Iterator[str]:
    old, new = ({(one["in"], one["name"]): one for one in each.get("parameters", ())} for each in (said, there))
    for place, name in old.keys() - new.keys():
        yield f"{where} knows no {name} ({place}) any more"
    for (place, name), one in new.items():
        if one.get("required") and not old.get((place, name), {}).get("required"):
            yield f"{where} wants {name} ({place}) now"


def _answers(
    before: Mapping[str, Any], now: Mapping[str, Any], said: Mapping[str, Any], there: Mapping[str, Any], where: str
) -> Iterator[str]:
    for status, answer in said.items():
        if status.startswith("2") and status not in there:
            yield f"{where} answers no {status} any more"
        for media_type, body in answer.get("content", {}).items() if status.startswith("2") else ():
            other = there.get(status, {}).get("content", {}).get(media_type)
            if other is not None and "schema" in body:
                yield from _Walk(before, now, asks=False).differ(body["schema"], other["schema"], f"{where} {status}")


class _Walk:
    """Through two schemas at once; each pair of names is looked at once."""

    def __init__(self, before: Mapping[str, Any], now: Mapping[str, Any], *, asks: bool) -> None:
        self._before, self._now, self._asks = before, now, asks
        self._seen: set[tuple[str, str]] = set()

    def differ(self, old: Mapping[str, Any], new: Mapping[str, Any], where: str) -> Iterator[str]:
        """What breaks between them."""
        pair = old.get("$ref", ""), new.get("$ref", "")
        if all(pair):
            if pair in self._seen:
                return
            self._seen.add(pair)
            where = f"{where}: {pair[0].rpartition('/')[2]}"
        old, new = _resolved(self._before, old), _resolved(self._now, new)
        if self._asks:
            yield from _stricter(old, new, where)
        yield from self._of_union(old, new, where)
        for name, field in old.get("properties", {}).items():
            if name in new.get("properties", {}):
                yield from self.differ(field, new["properties"][name], f"{where}.{name}")
            else:
                yield f"{where}.{name} is gone"
        if "items" in old and "items" in new:
            yield from self.differ(old["items"], new["items"], f"{where}[]")

    def _of_union(self, old: Mapping[str, Any], new: Mapping[str, Any], where: str) -> Iterator[str]:
        """Of several forms, each that was is still one of them; of one form, it is."""
        olds, news = (each.get("oneOf") or each.get("anyOf") or [each] for each in (old, new))
        if len(olds) == len(news) == 1:
            kinds = [set(_types(each)) for each in (old, new)]
            lost = kinds[0] - kinds[1] if self._asks else kinds[1] - kinds[0]
            if lost and all(kinds):
                yield f"{where} is {' or '.join(sorted(kinds[1]))} and was {' or '.join(sorted(kinds[0]))}"
            return
        known = {_form(one): one for one in news}
        for one in olds:
            if (form := _form(one)) in known:
                yield from self.differ(one, known[form], where)
            elif self._asks:
                yield f"{where} takes no {form} any more"
        if not self._asks and "null" in known and "null" not in map(_form, olds):
            yield f"{where} may be null now"


def _form(schema: Mapping[str, Any]) -> str:
    return str(schema["$ref"].rpartition("/")[2] if "$ref" in schema else "|".join(sorted(_types(schema))))


def _types(schema: Mapping[str, Any]) -> list[str]:
    found = schema.get("type", [])
    return [found] if isinstance(found, str) else list(found)


def _stricter(old: Mapping[str, Any], new: Mapping[str, Any], where: str) -> Iterator[str]:
    """What of a value that was taken is refused now."""
    for name in sorted(set(new.get("required", ())) - set(old.get("required", ()))):
        yield f"{where}.{name} is wanted now"
    if "enum" in new and (lost := [one for one in old.get("enum", ()) if one not in new["enum"]]):
        yield f"{where} takes no {lost[0]!r} any more"
    for words, sign in ((UPPER, 1), (LOWER, -1)):
        for word in words:
            if word in new and sign * new[word] < sign * old.get(word, sign * float("inf")):
                yield f"{where} has {word} {new[word]}, and had {old.get(word, 'none')}"
    if "pattern" in new and new["pattern"] != old.get("pattern"):
        yield f"{where} is to be {new['pattern']} now"


def _resolved(document: Mapping[str, Any], schema: Mapping[str, Any]) -> Mapping[str, Any]:
    found = schema
    while "$ref" in found:
        _, _, kind, name = found["$ref"].split("/")
        found = document["components"][kind][name]
    return found


def written(document: Mapping[str, Any]) -> str:
    """A line for each call and each form, so that a change shows where it is."""
    head = {name: value for name, value in document.items() if name not in ("paths", "components")}
    parts = {f"{name}": document["components"][name] for name in sorted(document["components"])}
    lines = [f"{json.dumps('paths')}: {_lines(document['paths'])}"]
    lines.append(
        '"components": {' + ",\n".join(f"{json.dumps(name)}: {_lines(one)}" for name, one in parts.items()) + "}"
    )
    return json.dumps(head, sort_keys=True)[:-1] + ",\n" + ",\n".join(lines) + "}\n"


def _lines(named: Mapping[str, Any]) -> str:
    rows = (f"{json.dumps(name)}: {json.dumps(value, sort_keys=True)}" for name, value in sorted(named.items()))
    return "{\n" + ",\n".join(rows) + "\n}"


def present() -> dict[str, Any]:
    """The description of this program."""
    from server.api.about import description

    document: dict[str, Any] = json.loads(description())
    return document


def main() -> int:
    """Compare, or write."""
    import django

    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "server.settings")
    django.setup()
    parser = argparse.ArgumentParser(prog="python -m tests.api_stability", description=__doc__)
    parser.add_argument("--write", action="store_true", help="put the present description in the place of the other")
    if parser.parse_args().write:
        RELEASED.write_text(written(present()))
        return 0
    found = breaking(json.loads(RELEASED.read_text()), present())
    sys.stdout.write("".join(f"{one}\n" for one in found) or "nothing that breaks a caller\n")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
