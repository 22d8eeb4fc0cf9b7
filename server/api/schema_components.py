"""The schemas in the API's description: of the dataclasses that bodies are read as and answers shown from."""

from __future__ import annotations

from dataclasses import is_dataclass
from typing import Any, get_args, get_origin

from pydantic import TypeAdapter

from machines.imaging.dot_gain import ToneCurve
from machines.imaging.pictures import Picture
from machines.model.calibration import Calibration
from machines.model.profile import Profile
from machines.protocol.messages import Reports, Work
from machines.recovery import Decision, Gap, Policy, Rule
from scheduling.answers.paper_at_told import PaperTold
from scheduling.commands import handlers
from scheduling.commands.changes import Preview
from scheduling.commands.preview_run import RunCheck
from scheduling.commands.run_search import RunSearch, SeekRun
from scheduling.nodes.board_holds import BoardKnows
from scheduling.outages.policies_compared import PoliciesCompared
from scheduling.paper.geometry import Geometry
from scheduling.paper.next_passage import Passage
from scheduling.paper.passages_told import PassagesTold
from scheduling.planning.opening_hours import Hours
from scheduling.planning.quiet_hours import QuietHours
from scheduling.planning.service_windows import Once, Weekly
from scheduling.rehearsal.told import Rehearsed
from scheduling.rendering.upload_store import Uploaded
from scheduling.supplies.consumption import PartSupplies
from scheduling.supplies.forecast import Forecast
from scheduling.telling.recipients import AllRecipients
from scheduling.venues.contacts import VenueContacts
from server.accounts.boards import Boards, CodeKnown
from server.accounts.calendar_addresses import AddressKnown
from server.accounts.enrolment import Code, NewCredentials
from server.accounts.person_calendars import CalendarWishes
from server.accounts.principals import ROLES
from server.api.calendar_addresses import SetWishes
from server.api.changes import Changeable, Reason
from server.api.histories import History, Versions
from server.api.node import Accepted, ClockAnswer, Enrol
from server.api.overrides import Decide
from server.api.policies import CheckPolicies
from server.api.proofs import Seam
from server.api.runs import ContinueRun, EndRun, Held, HoldRun, SucceedRun
from server.api.schema_words import completed
from server.api.service_windows import CallOff, ComingServices, TakeBack
from server.api.telling import HookSecret, SetRecipients, TestMessage
from server.api.venues import SetContacts, SetHours, SetQuietHours

READ = (
    *get_args(handlers.Command),
    CallOff,
    CheckPolicies,
    ContinueRun,
    Decide,
    EndRun,
    Enrol,
    HoldRun,
    Reason,
    Reports,
    SeekRun,
    SetContacts,
    SetRecipients,
    SetWishes,
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
    RunSearch,
    Geometry,
    Hours,
    QuietHours,
    VenueContacts,
    AllRecipients,
    AddressKnown,
    CalendarWishes,
    HookSecret,
    TestMessage,
    Calibration,
    PartSupplies,
    Passage,
    PassagesTold,
    PaperTold,
    Once,
    Weekly,
    ComingServices,
    RunCheck,
    PoliciesCompared,
    Rehearsed,
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


def dataclass_schemas() -> dict[str, Any]:
    """Of all that is read or shown, and of what is within them, by name."""
    wanted: list[Any] = [(part, "validation", TypeAdapter(part)) for part in (*READ, *SHOWN)]
    _, schemas = TypeAdapter.json_schemas(wanted, ref_template=REFERENCE)
    return completed(schemas["$defs"])
