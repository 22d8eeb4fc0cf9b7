"""Forged entries: what the token of one machine can do to another machine's run. Nothing may change there."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import fields
from datetime import datetime, timedelta
from typing import Any, get_args

from machines.protocol.journal_entries import Entry
from machines.protocol.messages import Work
from machines.recovery import Rule
from tests.attack.row import Row
from tests.attack.target import LATER, Target, wait_until_heard
from tests.server.api.test_override import settled

TOLD_OF_RUNS = {cls.kind for cls in get_args(Entry) if any(one.name == "run" for one in fields(cls))}
WORST_S = 5.0


def forged(target: Target) -> Row:
    """Each kind of entry that tells of a run, of a run of another machine."""
    row = Row("entries of one machine about another's run", worst_s=WORST_S)
    wait_until_heard(target)
    before, seq = _shown(target), 1
    kinds = set()
    for entry in _tellings(target):
        kinds.add(entry["kind"])
        said = f"{entry['kind']} at {entry['at']}"
        answer = target.other.post("node/reports", {"epoch": 1, "entries": [entry | {"seq": seq}]})
        row.answered(answer.status_code, answer.took_s, said)
        if answer.status_code == 200:
            seq = answer.json()["accepted_through"] + 1
        after = _shown(target)
        changed = [name for name in before if before[name] != after[name]]
        if changed:
            row.wrong.append(f"{said} changed {', '.join(changed)}")
            before = after
    if kinds != TOLD_OF_RUNS:
        row.wrong.append(f"not tried: {', '.join(sorted(TOLD_OF_RUNS ^ kinds))}")
    return row


def _tellings(target: Target) -> Iterator[dict[str, Any]]:
    """Of the run ``spring``, of which wren-1 tells: plausible ones, and ones that would empty its plan."""
    work = Work.from_json(target.honest.get("node/work?horizon=PT24H").json())
    assert work.run is not None
    segment = work.segments[0]
    for at in (LATER, LATER - timedelta(days=400), datetime.max.replace(tzinfo=LATER.tzinfo, microsecond=0)):
        said = {"at": at.isoformat(), "run": work.run.id}
        for first, end in ((segment.first_column, segment.end_column), (0, 2**50), (segment.first_column, 0)):
            columns = {"first": first, "end": end}
            laid = {"segment": segment.number, "columns": columns, "columns_done": 1, "paper_position": 0}
            yield {"kind": "columns-printed", **said, **laid, "worst_miss_s": 0.0}
        for rule in (Rule(kind="skip"), Rule(kind="replay")):
            yield settled(work, 1, LATER, rule) | said
        shifted = settled(work, 1, LATER, Rule(kind="skip")) | said
        shifted["decision"] |= {"action": "shift", "shift_s": 1e308}
        yield shifted
        place = {"column": segment.first_column}
        yield {"kind": "true-again", **said, **place}
        yield {"kind": "strip-cut", **said, "boundary": segment.first_column, "paper_position": 0, "made": True}
        yield {"kind": "slip-measured", **said, **place, "slip_mm": 1e6, "slip_s": 1.0, "slip_degrees": 1.0}
        yield {"kind": "feed-corrected", **said, **place, "corrected_mm": 1.0, "slip_mm": 0.0}


def _shown(target: Target) -> dict[str, bytes]:
    """All that is shown of wren-1 and its run, and what its node is told to print."""
    shown = {
        path: target.studio.get(path).content
        for path in ("runs/spring/segments?limit=1000", "machines/wren-1", "overrides")
    }
    run = target.studio.get("runs/spring").json()
    del run["board"]  # when it was heard: its own node asks for work below
    shown["runs/spring"] = json.dumps(run).encode()
    outages = target.studio.get("outages").json()["results"]
    shown["outages"] = json.dumps([one for one in outages if one["run"] == "spring"]).encode()
    shown["node/work"] = target.honest.get("node/work?horizon=PT24H").content
    return shown


def taken_over(target: Target) -> Row:
    """A board whose machine another has taken over, and a code that was used."""
    row = Row("tokens and codes after a takeover", worst_s=WORST_S)
    code = target.studio.post("machines/wren-2/enrolment").json()["code"]
    nobody = target.nobody
    first = nobody.post("node/enrol", {"code": code})
    row.answered(first.status_code, first.took_s, "a good code")
    if first.status_code != 200:
        row.errors.append(f"a good code was answered {first.status_code}")
    again = nobody.post("node/enrol", {"code": code})
    row.answered(again.status_code, again.took_s, "a used code")
    if again.status_code != 422:
        row.wrong.append(f"a used code was answered {again.status_code}")
    for path in ("node/clock", "node/work", "node/reports"):
        answer = target.other.post(path, {"epoch": 1, "entries": []}) if path.endswith("s") else target.other.get(path)
        row.answered(answer.status_code, answer.took_s, path)
        if answer.status_code != 409:
            row.wrong.append(f"{path} by a board that was replaced was answered {answer.status_code}")
    return row
