"""The contract of a node as a document: every example in it is played, and it names all that there is."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, fields
from datetime import datetime
from pathlib import Path
from typing import Any, get_args

import pytest

import machines.protocol
from machines.imaging.plate import Plate
from machines.protocol.journal_entries import Entry
from machines.protocol.messages import RunWork, Work
from machines.recovery import Cause
from server.api.problem_kinds import PROBLEM_KINDS
from tests.server.studio import Caller, HeldClock

DOCUMENT = (Path(machines.protocol.__file__).parent / "NODE.md").read_text()
EXAMPLE = re.compile(
    r"^    (GET|POST) (\S+)\n((?:    [ {].*\n)*)    (\d{3})(?: (\S+))?\n((?:    [ {].*\n)*)", re.MULTILINE
)


@dataclass(frozen=True)
class Example:
    method: str
    path: str
    sent: Any
    status: int
    media_type: str
    told: Any


def examples() -> list[Example]:
    found = []
    for method, path, sent, status, media_type, told in EXAMPLE.findall(DOCUMENT):
        read = [json.loads(text) if text else None for text in (sent, told)]
        found.append(Example(method, path, read[0], int(status), media_type, read[1]))
    return found


def require_said(told: Any, said: Any, where: str = "") -> None:
    """What was told has all that is said of it; ``...`` is anything."""
    if isinstance(said, dict):
        assert isinstance(told, dict) and said.keys() <= told.keys(), (where, told)
        for name, part in said.items():
            require_said(told[name], part, f"{where}.{name}")
    elif isinstance(said, list):
        assert isinstance(told, list) and len(told) == len(said), (where, told)
        for index, part in enumerate(said):
            require_said(told[index], part, f"{where}[{index}]")
    elif said != "...":
        assert told == said, where


def test_each_example_is_what_the_server_does(furnished: Caller, clock: HeldClock) -> None:
    played = examples()
    assert len(played) == DOCUMENT.count("\n    GET ") + DOCUMENT.count("\n    POST ") == 9
    caller, plate = Caller(), ""
    for one in played:
        path = one.path.replace("DIGEST", plate)
        if one.path == "node/enrol":
            one.sent["code"] = furnished.post("machines/wren-1/enrolment").json()["code"]
        answer = caller.get(path) if one.method == "GET" else caller.post(path, one.sent)
        assert answer.status_code == one.status, (path, answer.content)
        if one.media_type:
            assert answer["Content-Type"] == one.media_type
            assert Plate.from_png(answer.content).digest == plate
            continue
        told = answer.json()
        require_said(told, one.told, path)
        caller = Caller(told["token"]) if "token" in told else caller
        plate = told["plates"][0] if "plates" in told else plate


def test_the_tiny_examples_are_read_as_they_stand() -> None:
    """Of the parts of an example that the server never sees: its times are instants."""
    for text in re.findall(r'"(2026-[^"]+)"', DOCUMENT):
        assert datetime.fromisoformat(text).tzinfo is not None


NAMED = re.compile(r"`([^`]+)`")


@pytest.mark.parametrize(
    "names",
    [
        {field.default for kind in get_args(Entry) for field in fields(kind) if field.name == "kind"},
        set(get_args(Cause)),
        {field.name for field in fields(Work)} - {"epoch"},
        {f"run.{field.name}" for field in fields(RunWork)}
        & {"run.shift_s", "run.recesses", "run.only_while_open", "run.first_unaccounted", "run.succeeds"},
        {kind.slug for kind in PROBLEM_KINDS.values() if kind.slug in ("stale-epoch", "missing-entries", "bad-input")},
    ],
    ids=["entries", "causes", "work", "run", "problems"],
)
def test_it_names_all_that_there_is(names: set[str]) -> None:
    named = set(NAMED.findall(DOCUMENT))
    assert names and names - named == set()


def test_its_numbers_are_the_servers() -> None:
    for number in ("4,000,000 octets", "At most 500 entries", "up to P31D", "2^53 - 1"):
        assert number in DOCUMENT


def test_whoever_writes_a_node_finds_it() -> None:
    """With no key; from the page of the API."""
    anybody = Caller()
    answer = anybody.get("node-contract")
    assert answer["Content-Type"] == "text/markdown; charset=utf-8"
    assert answer.content.decode() == DOCUMENT
    assert anybody.get("node-contract", HTTP_IF_NONE_MATCH=answer["ETag"]).status_code == 304
    named = set(re.findall(r"`(\w+)\.json`", DOCUMENT))
    assert len(named) == 6
    for name in named:
        assert anybody.get(f"node-contract/vectors/{name}.json").json()["about"]
    assert anybody.get("node-contract/vectors/none.json").status_code == 404


def test_the_page_of_the_api_leads_there(furnished: Caller) -> None:
    assert '"/api/v1/node-contract"' in furnished.get("reference").content.decode()
