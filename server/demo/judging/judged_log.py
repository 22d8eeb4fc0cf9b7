"""What must hold of the log and of the views, by themselves and against the board's journal."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any

import numpy as np

from machines.operator.holds import FAULT
from machines.operator.stop_causes import stops_printing
from machines.protocol.journal_entries import (
    ColumnsPrinted,
    ConditionsChanged,
    GapSettled,
    NodeStarted,
    OperatorActed,
)
from server.demo.judging.column_outcomes import asked_again, named, printed, shown, told_otherwise_before
from server.demo.judging.evidence import Evidence

JAM = "media-jam-error"
HALTS = ("pause", "park", "stop")
# By kind: what a journal leaves out of an entry where it says nothing.
_SAYING_NOTHING: Mapping[str, dict[str, Any]] = {
    "strip-cut": {"why": None},
    "node-started": {"goes_on": False},
    "conditions-changed": {"goes_on": False},
}


def every_run_is_there(evidence: Evidence) -> list[str]:
    """Every run that was planned was handed out: each has segments, and none of them before its end is still open."""
    complaints = []
    for run in (run for run in evidence.runs if run["withdrawn_at"] is None):
        rows = [row for row in evidence.segments if row["run"] == run["id"] and row["first_column"] < run["end_column"]]
        open_rows = [row["number"] for row in rows if row["finished_at"] is None]
        if not rows or open_rows:
            complaints.append(f"run {run['id']} has {len(rows)} segments, not finished of them: {open_rows}")
    return complaints


def every_column_once(evidence: Evidence) -> list[str]:
    """Every column planned was reported printed, or named unknown or left out, and only one of them; but for what a
    rule asked to be printed once more, and what a journal told that had lost what it told before."""
    more, laid = asked_again(evidence) + told_otherwise_before(evidence), printed(evidence)
    outcomes = laid + named(evidence, "unknown") + named(evidence, "skipped")
    planned = evidence.planned
    complaints = []
    if missing := planned - set(outcomes):
        complaints.append(f"no outcome: {shown(missing)}")
    if strange := set(outcomes) - evidence.ever_planned:
        complaints.append(f"an outcome, though not planned: {shown(strange)}")
    if several := [column for column, count in outcomes.items() if count > 1 + more[column]]:
        complaints.append(f"more than one outcome: {shown(several)}")
    return complaints


def views_agree_with_log(evidence: Evidence) -> list[str]:
    """Each run and its segments, as the API shows them, count what the log says."""
    return [complaint for run in evidence.runs for complaint in _differs_from_log(evidence, run)]


def _differs_from_log(evidence: Evidence, run: dict[str, Any]) -> Iterator[str]:
    laid = set(printed(evidence, run["id"]))
    unknown = set(named(evidence, "unknown", run["id"])) - laid
    skipped = set(named(evidence, "skipped", run["id"])) - laid - unknown
    counted = set(range(run["first_column"], run["end_column"]))
    rows = [row for row in evidence.segments if row["run"] == run["id"]]
    held = {column for row in rows for column in range(row["first_column"], row["end_column"])}
    for name, columns in (("printed", laid), ("unknown", unknown), ("skipped", skipped)):
        found = run[name], sum(row[name] for row in rows)
        said = len(columns & counted), len(columns & held)
        if found != said:
            yield f"{name} of {run['id']}: the log says {said}, the run and its segments {found}"
    if run["beyond"] != (count := len(laid - counted)):
        yield f"beyond the end of {run['id']}: the log says {count}, the run {run['beyond']}"


def reported_of_their_segments(evidence: Evidence) -> list[str]:
    """What is reported of a segment are columns of it."""
    rows = evidence.whole_segments
    spans = {(row["run"], row["number"]): (row["first_column"], row["end_column"]) for row in rows}
    complaints = []
    for entry in evidence.of(ColumnsPrinted):
        first, end = spans.get((entry.run, entry.segment), (entry.columns.first, entry.columns.end))
        if not first <= entry.columns.first <= entry.columns.end <= end:
            columns = f"{entry.columns.first} to {entry.columns.end}"
            complaints.append(f"columns {columns} were reported of segment {entry.segment} of {entry.run}")
    return complaints


def entries_taken_once(evidence: Evidence) -> list[str]:
    """The newest board's journal and the server's log hold the same entries in order, numbered without holes. Where the
    journal goes on from before the newest enrolment, everything in it is in the log, in its order."""
    kept, told = [_whole(entry) for entry, _ in evidence.journal], [*map(_whole, evidence.taken_from_newest)]
    complaints = []
    if evidence.whole_journal and kept != told:
        first = next((i for i, (a, b) in enumerate(zip(kept, told, strict=False)) if a != b), min(len(kept), len(told)))
        complaints.append(f"journal ({len(kept)}) and log ({len(told)}) differ from entry {first + 1} on")
    if not evidence.whole_journal and (lost := _not_in([*map(_whole, evidence.taken)], kept)):
        complaints.append(f"of the journal's {len(kept)} entries {len(lost)} are not in the log: {lost[:3]}")
    if not all(accepted for _, accepted in evidence.journal):
        complaints.append("entries that the board does not know to be taken")
    numbers = [entry["seq"] for entry in told]
    if numbers != list(range(1, len(numbers) + 1)):
        complaints.append(f"the log's entries are numbered {numbers[:3]} to {numbers[-3:]}")
    highest = max((entry["seq"] for entry, accepted in evidence.journal if accepted), default=0)
    if evidence.machine["accepted_through"] != len(told) or highest > len(told):
        taken = evidence.machine["accepted_through"]
        complaints.append(f"taken through {taken}, in the log {len(told)}, by the board {highest}")
    return complaints


def _whole(entry: dict[str, Any]) -> dict[str, Any]:
    """With the fields that a journal leaves out where they say nothing, and that the log has."""
    return _SAYING_NOTHING.get(entry["kind"], {}) | entry


def _not_in(told: list[dict[str, Any]], kept: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """What was kept and is not among what was told, in the order in which it was kept; numbers may differ."""
    rest = iter([entry | {"seq": 0} for entry in told])
    return [entry for entry in kept if not any(one == entry | {"seq": 0} for one in rest)]


def stands_as_told(evidence: Evidence) -> list[str]:
    """Once all is told, the server shows of the machine what its board knows: whether something holds it until a person
    lets it go on, what it says, and whether its knife is armed. What stops it by its own words is shown as a hold, too,
    for as long as it says so."""
    stands, shown_of_it = evidence.stands, evidence.machine
    if stands is None:
        return []
    known = {"held": bool(stands.hold), "says": stands.conditions, "knife armed": stands.knife_armed}
    by_its_words = shown_of_it["hold"] == FAULT and any(map(stops_printing, stands.conditions))
    is_held = bool(shown_of_it["hold"]) and not (by_its_words and not stands.hold)
    shows = (is_held, shown_of_it["conditions"], shown_of_it["knife_armed"])
    return [
        f"{name}: {what} by the board, {shown_so} by the server"
        for (name, what), shown_so in zip(known.items(), shows, strict=True)
        if what != shown_so
    ]


def settled_alike(evidence: Evidence) -> list[str]:
    """The server would have settled every gap as the board did, but for those that were settled by a word that this
    server has forgotten. It says so after what was told, whose numbers begin anew with each board."""
    known = {fact["data"]["override"]["id"] for fact in evidence.facts if fact["kind"] == "outage-overridden"}
    words, otherwise = dict[int, Any](), list[int]()
    for fact in evidence.facts:
        data = fact["data"]
        if fact["kind"] == GapSettled.kind:
            words[data["seq"]] = data["gap"].get("override")
        elif fact["kind"] == "settlement-differed":
            word = words.get(data["seq"])
            if word is None or word["id"] in known:
                otherwise.append(data["seq"])
    if otherwise:
        return [f"{len(otherwise)} gaps would have been settled otherwise by the server: entries {otherwise}"]
    return []


def words_are_used(evidence: Evidence) -> list[str]:
    """The last word that a person gave on an outage is the one that settled it, or a notice says that it was passed
    over; or its run was withdrawn since, and there is nothing to be settled any more."""
    said = [notice for notice in evidence.notices if "passed over" in notice["said"]]
    withdrawn = {run["id"] for run in evidence.runs if run["withdrawn_at"] is not None}
    unused = [word for word in evidence.words if word["used_by"] is None and word["run"] not in withdrawn]
    if len(unused) > len(said):
        return [f"words that nobody followed, and nobody said so: {[word['id'] for word in unused]}"]
    return []


def stood_until_resumed(evidence: Evidence) -> list[str]:
    """Where the machine is attended, nothing is laid between an unplanned stop or a jam and a person's resume; or until
    a board was enrolled there, which a person beside the machine did. Who resumes it while it is jammed has to do so
    once more."""
    if not evidence.attended:
        return []
    stopped_at, began_at, printed, complaints = None, None, False, list[str]()
    for entry in (one for told in evidence.told_by_each for one in (None, *told)):
        if entry is None or (isinstance(entry, OperatorActed) and entry.action == "resume"):
            stopped_at = None
        elif isinstance(entry, NodeStarted):
            began_at, printed = entry.at, False
            stopped_at = entry.at if entry.unplanned_stop else stopped_at
        elif isinstance(entry, ConditionsChanged) and JAM in entry.keywords:
            if printed or _has_printed(evidence, began_at, entry.at):
                stopped_at = entry.at
        elif isinstance(entry, ColumnsPrinted):
            printed = True
            if stopped_at is not None and entry.at > stopped_at:
                columns = f"{entry.columns.first} to {entry.columns.end}"
                complaints.append(f"columns {columns} were laid after an unplanned stop, and nobody resumed")
    return complaints


def _has_printed(evidence: Evidence, began_at: datetime | None, by: datetime) -> bool:
    """Whether anything was laid from when an agent began until an instant: what jams before, nobody saw moving. Where
    the server's clock was set meanwhile, it cannot be told from the paper, whose instants are true."""
    if evidence.ahead:
        return False
    laid = evidence.paper.laid["at"]
    since = -np.inf if began_at is None else began_at.timestamp()
    return bool(np.any((laid >= since) & (laid <= by.timestamp())))


def stood_while_held(evidence: Evidence) -> list[str]:
    """Nothing is laid between a person's pause, park or stop and a resume; or until a board was enrolled there."""
    held_at, complaints = None, list[str]()
    for entry in (one for told in evidence.told_by_each for one in (None, *told)):
        if entry is None or (isinstance(entry, OperatorActed) and entry.action == "resume"):
            held_at = None
        elif isinstance(entry, OperatorActed) and entry.action in HALTS:
            held_at = held_at or entry.at
        elif isinstance(entry, ColumnsPrinted) and held_at is not None and entry.at > held_at:
            columns = f"{entry.columns.first} to {entry.columns.end}"
            complaints.append(f"columns {columns} were laid while a person held the machine")
    return complaints


def _ends(evidence: Evidence, run: str) -> Iterator[tuple[int, int]]:
    """The segments of a run: first column and end."""
    return ((row["first_column"], row["end_column"]) for row in evidence.segments if row["run"] == run)


def half_printed_is_seen(evidence: Evidence) -> list[str]:
    """Where printing broke off inside a segment of which a board had laid the column before, the facts that it settled
    by name that segment, whatever its rule makes of it."""
    complaints = []
    for told in evidence.told_by_each:
        laid = dict[tuple[str, int], int]()  # of which run, and its column, to the end of its segment
        for entry in told:
            if isinstance(entry, ColumnsPrinted):
                end = next((end for first, end in _ends(evidence, entry.run) if first <= entry.columns.first < end), 0)
                laid.update({(entry.run, column): end for column in range(entry.columns.first, entry.columns.end)})
            elif isinstance(entry, GapSettled) and entry.gap.segment is None:
                end = laid.get((entry.run, entry.gap.unknown_end - 1), 0)
                if entry.gap.unknown_end == entry.gap.first < end:
                    complaints.append(
                        f"the segment up to {end} broke off at {entry.gap.first}, and was taken for whole"
                    )
    return complaints
