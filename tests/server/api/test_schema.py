"""The API's description says what the server holds: bounds, kinds and answers."""

from __future__ import annotations

import copy
import json
import re
from typing import Any

import pytest

from machines.protocol.messages import Work
from server.api.about import description
from server.api.schema_bounds import BOUNDS
from tests.server.studio import PROFILE, Caller, printed

CARRIAGE = {
    "kind": "carriage",
    "nozzles": 12,
    "passes": 2,
    "drop_pl": 10.0,
    "idle_firing": {"drops": 1, "every_s": 9.0},
}
AT = "2026-03-20T06:00:00Z"
COLUMNS = {"first": 3447181, "end": 3447182}
NONE = {"first": 3447182, "end": 3447182}
ENTRIES: dict[str, dict[str, Any]] = {
    "GapSettled": {
        "kind": "gap-settled",
        "run": "spring",
        "gap": {"first": 3447181, "unknown_end": 3447181, "end": 3447182, "cause": "power", "noticed_at": AT},
        "policy": {"kind": "skip"},
        "decision": {
            "action": "skip", "unknown": {"first": 0, "end": 0}, "skipped": COLUMNS, "replayed": NONE,
            "true_again": 3447182, "hours_until_true": 0.0, "shift_s": 0.0, "reason": "left out",
        },
        "paper_position": 0,
    },
    "TrueAgain": {"kind": "true-again", "run": "spring", "column": 3447181},
    "StripCut": {"kind": "strip-cut", "run": "spring", "boundary": 3447181, "paper_position": 0, "made": False},
    "SlipMeasured": {
        "kind": "slip-measured", "run": "spring", "column": 3447181, "slip_mm": 0.0, "slip_s": 0.0, "slip_degrees": 0.0,
    },
    "FeedCorrected": {
        "kind": "feed-corrected", "run": "spring", "column": 3447181, "corrected_mm": 0.0, "slip_mm": 0.0,
    },
    "OperatorActed": {"kind": "operator-acted", "action": "feed", "paper_position": 0, "paper_columns": 0},
    "SetTimeCompared": {"kind": "set-time-compared", "ahead_s": 0.0, "error_s": 0.0},
}  # fmt: skip
# Where a schema's fields stand in the bodies below.
WITHIN = {"Gap": ("GapSettled", "gap"), "Decision": ("GapSettled", "decision")}
PROFILE_PARTS = {"CarriageHead": ["head"], "IdleFiring": ["head", "idle_firing"], "LineHead": ["head"]} | {
    "Knife": ["knife"], "Media": ["media"], "Profile": [],
}  # fmt: skip
CLOSED = {"starts_at": AT, "ends_at": "2026-03-20T07:00:00Z"}


def beyond(bounds: Any) -> list[Any]:
    """Values that a schema with these bounds refuses, each just so."""
    found: list[Any] = []
    for word, bound in bounds.items():
        if word in ("minimum", "maximum"):
            found.append(bound + (-1 if word == "minimum" else 1))
        elif word == "exclusiveMinimum":
            found.append(bound)
        elif word == "pattern":
            found.append(" ")
        elif word == "maxLength":
            found.append("x" * (bound + 1))
        elif word == "maxItems":
            found.append(bound + 1)
        else:
            raise AssertionError(f"nobody knows how to go beyond {word}")
    return found


CASES = [(*where, value) for where, bounds in BOUNDS.items() for value in beyond(bounds)]


@pytest.mark.parametrize(("schema", "field", "value"), CASES, ids=lambda part: str(part)[:20])
def test_the_server_refuses_what_is_beyond_a_bound(
    node: Caller, furnished: Caller, schema: str, field: str, value: Any
) -> None:
    if schema in PROFILE_PARTS:
        require_refused(furnished, schema, field, value)
        return
    work = Work.from_json(node.get("node/work").json())
    entry, path = entry_of(work, schema, field)
    good = {"epoch": 1, "entries": [entry]}
    bad = copy.deepcopy(good)
    if schema == "Reports":
        bad["entries"] = [entry | {"seq": seq} for seq in range(1, value + 1)]
        assert node.post("node/reports", bad).status_code == 413
        return
    if schema == "Retelling":
        bad["again"] = {"first": value, "through": 5}
        assert node.post("node/reports", bad).json() == {"accepted_through": 1}, "telemetry beside entries is ignored"
        return
    place: Any = bad["entries"][0]
    for name in path:
        place = place[name]
    place[field] = [CLOSED] * value if field == "closed" else value
    refused = node.post("node/reports", bad)
    assert refused.status_code == 422 and refused.json()["field"].startswith(".".join(["entries[0]", *path, field])), (
        refused.content
    )
    assert node.post("node/reports", good).status_code == 200, "nothing else was wrong with it"


def entry_of(work: Work, schema: str, field: str) -> tuple[dict[str, Any], list[str]]:
    kind, *path = WITHIN.get(schema, (schema,))
    if kind in ("ColumnsPrinted", "Reports", "Retelling"):
        return dict(printed(work, 1)), []
    return {"seq": 1, "at": AT, **copy.deepcopy(ENTRIES[kind])}, [*path]


def require_refused(studio: Caller, schema: str, field: str, value: Any) -> None:
    body: Any = copy.deepcopy(PROFILE) | {"id": "other"}
    if schema in ("CarriageHead", "IdleFiring"):
        body["profile"]["head"] = copy.deepcopy(CARRIAGE)
    place, path = body["profile"], ["profile"]
    for name in PROFILE_PARTS[schema]:
        place, path = place[name], [*path, name]
    before, place[field] = place.get(field), value
    refused = studio.post("profiles", body)
    assert refused.status_code == 422, refused.content
    assert refused.json()["field"].startswith(".".join(path)), refused.content
    if before is not None:
        place[field] = before
        assert studio.post("profiles", body).status_code == 201, "nothing else was wrong with it"


@pytest.fixture(scope="module")
def schemas() -> Any:
    return json.loads(description())["components"]["schemas"]


def test_of_several_forms_the_kind_says_which(schemas: Any) -> None:
    entries = schemas["Reports"]["properties"]["entries"]["items"]
    assert len(entries["oneOf"]) == 13
    assert entries["discriminator"]["mapping"]["columns-printed"] == "#/components/schemas/ColumnsPrinted"
    for one in entries["oneOf"]:
        form = schemas[one["$ref"].rpartition("/")[2]]
        assert {"kind", "seq", "at"} <= set(form["required"])
        assert form["properties"]["seq"]["minimum"] == 1
    assert schemas["Profile"]["properties"]["head"]["discriminator"]["mapping"].keys() == {"carriage", "line"}
    assert "kind" in schemas["CarriageHead"]["required"]
    assert "kind" in schemas["LandPicture"]["required"]


def test_whole_numbers_are_those_that_every_reader_keeps(schemas: Any) -> None:
    """RFC 7493 section 2.2."""
    column = schemas["TrueAgain"]["properties"]["column"]
    assert (column["minimum"], column["maximum"]) == (-9007199254740991, 9007199254740991)


def test_most_fields_are_explained(schemas: Any) -> None:
    fields = [field for schema in schemas.values() for field in schema.get("properties", {}).values()]
    told = sum("description" in field for field in fields)
    assert len(fields) > 900 and told / len(fields) >= 0.69
    assert not [name for name, schema in schemas.items() if "Attributes:" in schema.get("description", "")]


def test_bounds_are_said_in_words_of_json_schema(schemas: Any) -> None:
    for (name, field), bounds in BOUNDS.items():
        said = schemas[name]["properties"][field]
        assert {word: said[word] for word in bounds} == dict(bounds)
        if "pattern" in bounds:
            assert re.search(bounds["pattern"], "a-1") and not re.search(bounds["pattern"], " ")
