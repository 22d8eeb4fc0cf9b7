"""All that is known of a machine from outside: what lies on its paper, what its board told, what the server shows."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field, fields
from datetime import datetime
from functools import cached_property
from itertools import zip_longest
from typing import Any, TypeVar, get_args
from zoneinfo import ZoneInfo

from machines.drivers.simulated.paper import NO_COLUMN, Paper, Records
from machines.imaging.plate import Plate
from machines.model.profile import Profile
from machines.protocol.journal_entries import Entry, GapSettled
from machines.serialization import parse_instant, structure
from scheduling.planning.quiet_hours import QuietHours
from scheduling.sky.zones import zone

# Of no run that is, though of the paper some of it.
NOT_COUNTED = ("entry-set-aside", "entry-told-twice", "printed-by-earlier-plan")
NODE_KINDS = {field.default for cls in get_args(Entry) for field in fields(cls) if field.name == "kind"}
EntryT = TypeVar("EntryT", bound=Entry)


@dataclass(frozen=True, kw_only=True)
class Standing:
    """How a machine stands by its board's journal.

    Attributes:
        hold: what holds it until a person lets it go on; empty for nothing.
        conditions: what it says.
        knife_armed: whether its knife is.
    """

    hold: str
    conditions: list[str]
    knife_armed: bool


@dataclass(frozen=True, eq=False, kw_only=True)
class Evidence:
    """Everything that the judge looks at.

    Attributes:
        profile: of the machine, by which its paper is measured.
        profiles: by which its runs were planned, by their ids; of those that are older than such words, none.
        paper: of the machine.
        runs, segments, machine, words: as the API shows them; the segments of all runs, in order. A word that a server
            has forgotten is not among them.
        notices: what the studio was told about the machine.
        facts: the machine's stream in the server's log, in order.
        journal: entries of the board's journal, in order, with whether each is known to be taken.
        stands: how the machine stands by that journal; None where nobody looked.
        plates: digest to plate.
        ahead: from when on, POSIX seconds, the server's clock was ahead by how much, seconds.
        whole_journal: the newest board's journal begins with its enrolment, and no server forgot it since.
        attended: the machine stands after an unplanned stop until a person resumes it.
        boards_lost: what a board did last before it was lost nobody knows.
        newest_lost: a board went on with a journal that had lost its newest.
        settled_and_lost: what journals had settled that were lost, which perhaps nobody was told.
        quiet_said: what was said of the venue's quiet hours, by its clock, in order, each with when.
        clock: the venue's.
        taken_over: epochs that began as another board took the machine over, with a journal of its own.
    """

    profile: Profile
    paper: Paper
    runs: list[dict[str, Any]]
    segments: list[dict[str, Any]]
    machine: dict[str, Any]
    facts: list[dict[str, Any]]
    journal: list[tuple[dict[str, Any], bool]]
    plates: dict[str, Plate]
    profiles: dict[str, Profile] = field(default_factory=dict)
    stands: Standing | None = None
    words: list[dict[str, Any]] = field(default_factory=list)
    notices: list[dict[str, Any]] = field(default_factory=list)
    ahead: list[tuple[float, float]] = field(default_factory=list)
    whole_journal: bool = True
    attended: bool = False
    boards_lost: bool = False
    newest_lost: bool = False
    settled_and_lost: list[GapSettled] = field(default_factory=list)
    taken_over: frozenset[int] = frozenset()
    quiet_said: list[tuple[datetime, QuietHours]] = field(default_factory=list)
    clock: ZoneInfo = field(default_factory=lambda: zone("Etc/UTC"))

    @property
    def planned(self) -> set[int]:
        """Columns of all runs that were not withdrawn, up to where they end now."""
        stand = [run for run in self.runs if run["withdrawn_at"] is None]
        return {column for run in stand for column in range(run["first_column"], run["end_column"])}

    @property
    def ever_planned(self) -> set[int]:
        """Columns that a board may have laid: it may not have heard that its run was withdrawn, or ends elsewhere."""
        return {column for run in self.runs for column in range(run["first_column"], run["longest_column"])}

    @property
    def counted(self) -> set[int]:
        """Columns that runs count, those of withdrawn ones among them: what lies beyond an end is counted apart."""
        return {column for run in self.runs for column in range(run["first_column"], run["end_column"])}

    @cached_property
    def whole_segments(self) -> list[dict[str, Any]]:
        """The segments as boards may hold them that have not heard of an end: where one clips a segment, with its
        rest, up to the next or to the furthest end that the run ever had."""
        longest = {run["id"]: run["longest_column"] for run in self.runs}
        ends = {run["id"]: run["end_column"] for run in self.runs}
        found = []
        for row, after in zip_longest(self.segments, self.segments[1:]):
            has_next = after is not None and after["run"] == row["run"]
            end = after["first_column"] if has_next else row["end_column"]
            if not has_next and row["end_column"] == ends[row["run"]]:
                end = longest[row["run"]]
            found.append(row | {"end_column": end})
        return found

    @property
    def told(self) -> list[dict[str, Any]]:
        """Data of the facts that boards told, and that count."""
        return as_told(self.facts)

    @property
    def taken(self) -> list[dict[str, Any]]:
        """The same with what was set aside."""
        return as_told(self.facts, set_aside=True)

    @property
    def taken_from_newest(self) -> list[dict[str, Any]]:
        """The same since the newest board was enrolled."""
        last = max(i for i, fact in enumerate(self.facts) if fact["kind"] == "node-enrolled")
        return as_told(self.facts[last:], set_aside=True)

    @cached_property
    def told_by_each(self) -> list[list[Entry]]:
        """What was told from each enrolment to the next, read as the wire's messages."""
        enrolled = [i for i, fact in enumerate(self.facts) if fact["kind"] == "node-enrolled"]
        spans = zip([0, *enrolled], [*enrolled, len(self.facts)], strict=True)
        return [[structure(data, Entry) for data in as_told(self.facts[first:end])] for first, end in spans]

    @property
    def enrolled_at(self) -> list[datetime]:
        """When each part of what was told by each began, but for the first, which comes before any."""
        return [parse_instant(fact["said_at"]) for fact in self.facts if fact["kind"] == "node-enrolled"]

    @property
    def of_another(self) -> list[bool]:
        """For each part of what was told by each, whether it begins as another board takes the machine over."""
        epochs = [fact["data"]["epoch"] for fact in self.facts if fact["kind"] == "node-enrolled"]
        return [False, *(epoch in self.taken_over for epoch in epochs)]

    @cached_property
    def entries(self) -> list[Entry]:
        """What boards told, read as the wire's messages."""
        return [structure(data, Entry) for data in self.told]

    def of(self, kind: type[EntryT]) -> list[EntryT]:
        """What boards told of a kind, in order."""
        return [entry for entry in self.entries if isinstance(entry, kind)]

    @property
    def of_pictures(self) -> Records:
        """What was laid but for what a person had fed or printed by hand."""
        laid: Records = self.paper.laid[self.paper.laid["column"] != NO_COLUMN]
        return laid

    @cached_property
    def places(self) -> dict[int, list[int]]:
        """Running column to its places on the paper, in the order in which they were laid."""
        found: dict[int, list[int]] = defaultdict(list)
        for record in self.of_pictures:
            found[int(record["column"])].append(int(record["place"]))
        return dict(found)


def as_told(facts: list[dict[str, Any]], *, set_aside: bool = False) -> list[dict[str, Any]]:
    """Data of the facts that boards told, as they told it: what was not taken to the last word stands whole in the fact
    that follows it. What was set aside is in no view, and left out unless it is asked for."""
    told = []
    for fact in facts:
        if fact["kind"] in NODE_KINDS:
            told.append(fact["data"])
        elif fact["kind"] == "entry-read-in-part":
            told[-1] = fact["data"]["entry"]
        elif fact["kind"] in NOT_COUNTED and set_aside:
            told.append(fact["data"]["entry"])
    return told
