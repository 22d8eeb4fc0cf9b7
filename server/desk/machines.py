"""Machines on the pages: where each stands, of which model it is, how it is, and what was measured of it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, ClassVar

from django import forms
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from machines.errors import InputError
from machines.model.calibration import Calibration
from machines.serialization import structure
from scheduling.commands.handlers import IdInUse
from scheduling.log.models import Machine, Profile, Run, Venue
from scheduling.queries.machine_context import machine_context
from scheduling.queries.names import LONGEST_NAME
from scheduling.queries.runs import has_paper
from scheduling.sky.zones import zone
from server import wiring
from server.api.in_process import Caller, fetch
from server.console import formatting
from server.console.machine_card import station
from server.console.panel_place import panel_place
from server.desk.callers import caller_of
from server.desk.model_words import with_unit
from server.desk.models import plainly
from server.desk.order_form import NewForm, OrderForm, ReasonForm
from server.desk.subjects import Facts, Row, Subject, retiring

NEWEST_RUNS = 12
# What is measured of a machine, as its page calls it.
MEASURED = {
    "feed_factor": "Feed, measured over ordered",
    "dead_nozzles": "Nozzles that are dead",
    "head_to_knife_mm": "Head to knife",
}


class MachineFields(OrderForm):
    """What is said of a machine."""

    PLACES: ClassVar[dict[str, str]] = {"name": "name", "venue": "venue", "profile": "profile"}

    name = forms.CharField(max_length=LONGEST_NAME, label="What it is called")
    venue = forms.ChoiceField(label="Where it stands")
    profile = forms.ChoiceField(label="Its model")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name, model in (("venue", Venue), ("profile", Profile)):
            field, stands = self.fields[name], (self.initial or {}).get(name)
            rows = [row for row in model.objects.order_by("name", "id") if row.retired_at is None or row.id == stands]
            choices = [("", "choose one"), *((row.id, row.name) for row in rows)]
            self.fields[name] = forms.ChoiceField(label=field.label, choices=choices)

    def refuse(self, error: InputError | IdInUse) -> None:
        """With the numbers of a model as its page calls them."""
        if isinstance(error, InputError):
            error.problem = plainly(error.problem)
        super().refuse(error)


class NewMachineForm(NewForm, MachineFields):
    """A new machine."""

    model = Machine


class ChangeMachineForm(ReasonForm, MachineFields):
    """A machine that is there, and why it is changed."""

    PLACES: ClassVar[dict[str, str]] = MachineFields.PLACES | ReasonForm.PLACES


def _seen(rows: Sequence[Row]) -> Sequence[Row]:
    """With the names of venue and model, and the clock that the machine stands by. What was closed into an archive has
    no name any more."""
    venues = Venue.objects.in_bulk({row["venue"] for row in rows})
    models = dict(Profile.objects.filter(id__in={row["profile"] for row in rows}).values_list("id", "name"))
    return [
        {
            **row,
            "venue_name": venues[row["venue"]].name if row["venue"] in venues else row["venue"],
            "clock": venues[row["venue"]].zone if row["venue"] in venues else "UTC",
            "model_name": models.get(row["profile"], row["profile"]),
        }
        for row in rows
    ]


def _listed(row: Row) -> str:
    board = "" if row["epoch"] else "; no board yet"
    silent = "; silent" if row["silent_since"] else ""
    return f"{row['venue_name']}; {row['model_name']}{board}{silent}"


def _facts(row: Row) -> Facts:
    machine = Machine.objects.get(pk=row["id"])
    seen = station(machine_context(machine, wiring.now()))
    yield "It is", seen.state
    yield "Heard", seen.heard
    yield "Knife", seen.knife
    if seen.conditions:
        yield "It tells of", ", ".join(one.replace("-", " ") for one in seen.conditions)
    fed_mm = machine.paper_position * seen.context.model.column_pitch_mm
    yield "Paper fed so far", with_unit(fed_mm / 1000.0, "m") if fed_mm else "none"


def _measured(row: Row) -> Facts:
    """What was measured of it; empty while nobody did."""
    if row["calibration"] is None:
        return
    found = structure(row["calibration"], Calibration)
    for name, said in MEASURED.items():
        if name != "head_to_knife_mm" or found.head_to_knife_mm is not None:
            yield said, measured_words(name, getattr(found, name))


def measured_words(name: str, value: Any) -> str:
    """One of what was measured, in words."""
    if name == "feed_factor":
        return f"{value:.4f}"
    if name == "dead_nozzles":
        return ", ".join(map(str, value)) if value else "none"
    return "as the model says" if value is None else with_unit(value, "mm")


def _more(caller: Caller, row: Row) -> Mapping[str, Any]:
    machine = Machine.objects.get(pk=row["id"])
    return {
        "measured": list(_measured(row)),
        "has_paper": has_paper(machine),
        "runs": list(_runs(row)),
        "panel": panel_place(machine_context(machine, wiring.now())),
    }


def _runs(row: Row) -> Iterator[dict[str, str]]:
    """Its newest runs, those to come among them: what each prints, and from when until when."""
    standing = Run.objects.filter(machine_id=row["id"], withdrawn_at=None).select_related("source")
    for run in standing.order_by("-starts_at", "-id")[:NEWEST_RUNS]:
        begins, ends = (formatting.moment(at, row["clock"]) for at in (run.starts_at, run.ends_at))
        yield {"id": run.id, "prints": run.source.name, "when": f"{begins} to {ends}"}


@login_required
@never_cache
@require_safe
def proof(request: HttpRequest, id: str) -> HttpResponse:
    """The last metre of its paper with rulers, as it was printed."""
    return fetch(caller_of(request), "GET", f"machines/{id}/proof.png", {"show": "last-metre"})


MACHINES = Subject(
    name="machine",
    plural="machines",
    title="Machines",
    one="A machine",
    lead="Each stands at a venue and is of a model. What it prints is planned in runs.",
    model=Machine,
    listed=_listed,
    facts=_facts,
    clock=lambda row: zone(row["clock"]),
    add=NewMachineForm,
    change=ChangeMachineForm,
    deeds=retiring("machine", "It takes no run and raises no notice any more; pages do not show it, but for this one."),
    add_previews=True,
    template="desk/machine.html",
    list_template="desk/machines.html",
    more=_more,
    seen=_seen,
)
