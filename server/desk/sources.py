"""Pictures on the pages: what can be printed, how it will look on paper, and which runs print it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from django.urls import reverse

from machines.errors import InputError
from scheduling.commands.plan_run import PlanRun
from scheduling.log.models import Run, Source
from scheduling.queries.runs import machine_profile
from server.accounts.roles import roles_for
from server.api.in_process import Caller, ask
from server.console import formatting
from server.desk.draft_paper import offered_papers
from server.desk.history_words import versions_in_words
from server.desk.picture_fields import CHOICES, KINDS, parameters_of
from server.desk.picture_forms import METHODS, ChangePictureForm, NewPictureForm
from server.desk.pieces import size_px
from server.desk.subjects import Facts, Row, Subject, retiring
from server.heavy import Busy

# The newest of the runs that print it.
RUNS_SHOWN = 12
PIECE_WORDS = {
    "seam": "Where a turn closes, its end and its beginning side by side, a dot a pixel",
    "one-to-one": "One to one, where the screen shows 96 px to the inch",
    "dots": "Its dots, six times as large",
}


def _facts(row: Row) -> Facts:
    picture = row["picture"]
    yield "Kind", KINDS[picture["kind"]]
    for one in parameters_of(picture["kind"]):
        value: Any = picture
        for name in one.path.split("."):
            value = value[name]
        yield one.label, _said(value)
    yield "Dots", METHODS[row["method"]]
    yield "Dot gain", _gain(row["curve"])
    if row["upload"]:
        yield "File", f"{row['upload'][:12]}…, by its SHA-256"
    yield "Version", str(row["version"])


def _said(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return CHOICES.get(value, value.replace("-", " ")) if isinstance(value, str) else f"{value:g}".replace("-", "−")


def _gain(curve: Mapping[str, Any] | None) -> str:
    if curve is None:
        return "not undone: no wedge was measured"
    return f"undone, by {len(curve['asked'])} steps of a printed wedge"


def _asked(caller: Caller, row: Row, query: Mapping[str, str]) -> Mapping[str, Any]:
    """Its proof on the paper that is asked for, and what the API says of its seam there."""
    papers = offered_papers()
    chosen = query.get("paper")
    of_run = Run.objects.filter(source_id=row["id"]).order_by("-starts_at", "id").select_related("machine").first()
    on_it = None if of_run is None else of_run.machine.profile_id
    runs = {"runs": list(_runs(row)), "may_print": caller.holder.standing.role in roles_for(PlanRun)}
    ids = [id for id, _ in papers]
    paper = next((one for one in (chosen, on_it, *ids) if one in ids), None)
    if paper is None:
        return runs
    seam, too_large = _seam(caller, row, paper)
    return runs | {
        "papers": papers,
        "paper": paper,
        "seam": seam,
        "too_large": too_large,
        "pieces": [] if too_large else list(_pieces(row, paper)),
        "length": f"{machine_profile(profile=paper).mm_per_turn:g} mm",
    }


def _seam(caller: Caller, row: Row, paper: str) -> tuple[str, str]:
    """What the API says of it; or why it can be looked at no closer on that paper."""
    try:
        found = ask(caller, "GET", f"sources/{row['id']}/seam", profile=paper).body
    except Busy as error:
        return f"{error}.", ""
    except InputError as error:
        return "", f"{error.problem}; {error.remedy}"
    words = found["in_words"].replace("with blend_mm", "by “Blend the seam shut”")
    return f"{words} ({found['visibility']:.2f}; 1 is black on white)", ""


def _pieces(row: Row, paper: str) -> Iterator[dict[str, Any]]:
    for show, words in PIECE_WORDS.items():
        width, height = size_px(show, paper)
        address = reverse(f"picture-{show}", args=[row["id"]])
        yield {
            "show": show,
            "words": words,
            "address": f"{address}?profile={paper}",
            "width": width,
            "height": height,
        }


def _runs(row: Row) -> Iterator[tuple[str, str]]:
    """The runs that print it, the newest first."""
    rows = Run.objects.filter(source_id=row["id"], withdrawn_at=None).select_related("machine__venue")
    for run in rows.order_by("-starts_at", "id")[:RUNS_SHOWN]:
        begins = formatting.date(run.starts_at, run.machine.venue.zone)
        yield run.id, f"{run.machine.name}, from {begins} on, version {run.source_version}"


def _more(caller: Caller, row: Row) -> Mapping[str, Any]:
    told = ask(caller, "GET", f"sources/{row['id']}/versions").body["versions"]
    return {"versions": versions_in_words(told, SOURCES, row)}


SOURCES = Subject(
    name="source",
    plural="sources",
    title="Pictures",
    one="A picture",
    lead="What can be printed: a turn of paper that closes on itself, from an image, a map, or numbers of the sky.",
    model=Source,
    listed=lambda row: f"{KINDS[row['picture']['kind']]} · version {row['version']}",
    facts=_facts,
    add=NewPictureForm,
    change=ChangePictureForm,
    deeds=retiring("picture", "No new run prints it; those that do go on."),
    add_previews=True,
    template="desk/picture.html",
    list_template="desk/pictures.html",
    more=_more,
    asked=_asked,
)
