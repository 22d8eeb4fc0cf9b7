"""A merge patch as the standard has it, and what a change would make of a row."""

from __future__ import annotations

import json

import pytest

from machines.errors import InputError
from scheduling.commands.additions import FixOpening
from scheduling.commands.changes import merged, patched
from scheduling.commands.openings import as_ordered
from scheduling.log.models import Opening

# RFC 7396, appendix A: original, patch, result.
APPENDIX_A = """
{"a":"b"}                  {"a":"c"}                  {"a":"c"}
{"a":"b"}                  {"b":"c"}                  {"a":"b","b":"c"}
{"a":"b"}                  {"a":null}                 {}
{"a":"b","b":"c"}          {"a":null}                 {"b":"c"}
{"a":["b"]}                {"a":"c"}                  {"a":"c"}
{"a":"c"}                  {"a":["b"]}                {"a":["b"]}
{"a":{"b":"c"}}            {"a":{"b":"d","c":null}}   {"a":{"b":"d"}}
{"a":[{"b":"c"}]}          {"a":[1]}                  {"a":[1]}
["a","b"]                  ["c","d"]                  ["c","d"]
{"a":"b"}                  ["c"]                      ["c"]
{"a":"foo"}                null                       null
{"a":"foo"}                "bar"                      "bar"
{"e":null}                 {"a":1}                    {"e":null,"a":1}
[1,2]                      {"a":"b","c":null}         {"a":"b"}
{}                         {"a":{"bb":{"ccc":null}}}  {"a":{"bb":{}}}
"""


@pytest.mark.parametrize("row", APPENDIX_A.strip().splitlines())
def test_a_merge_patch_is_that_of_the_standard(row: str) -> None:
    original, patch, result = (json.loads(part) for part in row.split())
    kept = json.dumps(original)
    assert merged(original, patch) == result
    assert json.dumps(original) == kept


def test_what_never_changes_is_refused_by_name() -> None:
    row = Opening(id="first", venue_id="quay", name="First", anchor={"civil": "2026-03-21T19:00", "zone": "UTC"})
    assert as_ordered(row) == FixOpening(id="first", venue="quay", name="First", anchor=row.anchor)
    assert patched(as_ordered(row), {"name": "Second", "id": "first"}, ("id", "venue"))["name"] == "Second"
    with pytest.raises(InputError) as refused:
        patched(as_ordered(row), {"venue": None}, ("id", "venue"))
    assert (refused.value.field, refused.value.remedy) == ("venue", "leave it out, or give 'quay'")
