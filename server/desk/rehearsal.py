"""A run's rehearsal on its page: what is assumed, to be changed first; then the odds in plain words and as drawings."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, ClassVar

from django import forms
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from machines.errors import InputError
from machines.serialization import structure
from scheduling.rehearsal.assumed import names, values
from scheduling.rehearsal.log_rates import rates_of
from scheduling.rehearsal.rates import Rates
from scheduling.rehearsal.told import Bar, Compared, Rehearsed
from server import wiring
from server.api.in_process import ask
from server.desk.callers import caller_of
from server.desk.order_form import Group, OrderForm
from server.desk.rehearsal_words import (
    moves_in_words,
    name_of,
    odds_in_words,
    of_kind,
    percent,
    right_on_average,
    spare_in_words,
)
from server.desk.runs import RUNS

LABELS = {
    "power_every_days": "A power cut every so many days",
    "power_hours": "It lasts for so many hours on average",
    "network_every_days": "The network is lost every so many days",
    "network_hours": "It is away for so many hours on average",
    "jam_every_days": "A jam every so many days",
    "jam_hours": "Hours of work on it, once somebody is there",
    "part_every_days": "A part fails every so many days",
    "part_hours": "Hours until it is replaced, once somebody is there",
    "nozzle_every_days": "A nozzle dies every so many days",
    "late_share": "Share of the visits that begin late, 0 to 1",
    "late_hours": "They are late by so many hours on average",
    "notice_hours": "Hours until who is there sees that it stands still",
    "change_minutes": "Minutes that a change of roll, cartridge or blade takes",
    "work_held_hours": "Hours that it prints on without a network",
    "reserve": "A part is changed with such a share in hand, 0.1 for a tenth",
}
SEASONS = (("500", "500"), ("1000", "1000"), ("2000", "2000"))
PLANNED = "As planned"
KINDS = (("policy", "Policies"), ("service", "Service dates"), ("without", "What goes wrong"))
# The picture of a spread, and the bar of a share, are so many units wide and high.
WIDTH, HEIGHT = 1000.0, 100.0


class RehearsalForm(OrderForm):
    """How often, and what is assumed."""

    PLACES: ClassVar[dict[str, str]] = {name: name for name in ("seasons", "seed", "confidence", *names())} | {
        "alone": "compare"
    }

    seasons = forms.ChoiceField(choices=SEASONS, label="How often it is played")
    seed = forms.IntegerField(label="Seed", help_text="the same seed tells the same")
    compare = forms.BooleanField(required=False, label="Compare policies, service dates, and what goes wrong")
    confidence = forms.FloatField(label="Spares are to be enough with", help_text="0.95: in 95 seasons of a hundred")

    def __init__(self, data: Any, initial: dict[str, Any]) -> None:
        super().__init__(data, initial=initial)
        for name in names():
            hint = "0 for never" if name.endswith("_every_days") else ""
            self.fields[name] = forms.FloatField(label=LABELS[name], help_text=hint)

    def groups(self) -> Sequence[Group]:
        """What is asked, and what is assumed."""
        lead = "Typical ones are common practice, without a source; what this machine's log tells is added to them."
        return (Group("", ("seasons", "seed", "confidence", "compare")), Group("Assumed", names(), lead=lead))

    def query(self) -> dict[str, str]:
        """What the API is asked: of the assumptions those that were changed."""
        said, first = self.cleaned_data, self.initial
        asked = {name: str(said[name]) for name in ("seasons", "seed", "confidence")}
        asked["alone"] = "false" if said["compare"] else "true"
        return asked | {name: repr(said[name]) for name in names() if said[name] != first[name]}


@login_required
@never_cache
@require_safe
def rehearsal(request: HttpRequest, id: str) -> HttpResponse:
    """What is assumed; once that is sent, the odds."""
    caller = caller_of(request)
    row = RUNS.seen_one(ask(caller, "GET", f"runs/{id}").body)
    form, page = RehearsalForm(request.GET or None, _initial(Rates())), {"row": row, "zone": row["zone"]}
    try:
        form = RehearsalForm(request.GET or None, _initial(rates_of(row["machine"], wiring.now(), Rates())))
        if form.is_valid():
            found = structure(ask(caller, "GET", f"runs/{id}/rehearsal", **form.query()).body, Rehearsed)
            page |= _shown(found, row["zone"])
    except InputError as error:
        if form.is_bound:
            form.refuse(error)
        page["wrong"] = "" if form.is_bound else f"This machine's log cannot be read: {error}"
    page["form"] = form
    return render(request, "desk/rehearsal.html", page, status=422 if form.errors else 200)


def _initial(rates: Rates) -> dict[str, Any]:
    rounded = {name: float(f"{value:.4g}") for name, value in values(rates).items()}
    rounded = {name: int(value) if value.is_integer() else value for name, value in rounded.items()}
    return {"seasons": "1000", "seed": 1, "confidence": 0.95, "compare": True, **rounded}


def _shown(found: Rehearsed, zone: str) -> dict[str, Any]:
    return {
        "found": found,
        "words": list(odds_in_words(found, zone)),
        "openings": [
            {"name": one.name, "right": percent(one.odds.right), "width": round(WIDTH * one.odds.right, 1)}
            for one in found.openings
        ],
        "bars": list(_bars(found.off_bars)),
        "longest": f"{found.off_bars[-1].ends:.0f} h",
        "spares": [spare_in_words(one) for one in found.spares],
        "confidence": percent(found.confidence),
        "moves": moves_in_words(found) if found.compared else "",
        "tables": [
            (title, [_planned(found), *map(_row, of_kind(found, kind))])
            for kind, title in KINDS
            if of_kind(found, kind)
        ],
    }


def _bars(bars: Sequence[Bar]) -> Iterator[dict[str, float]]:
    """The spread of the hours off the sky, from left to right; the most seasons as high as there is room."""
    most, width = max(bar.share for bar in bars), WIDTH / len(bars)
    for number, bar in enumerate(bars):
        height = HEIGHT * bar.share / most
        yield {
            "x": round(number * width, 1),
            "y": round(HEIGHT - height, 1),
            "width": round(0.9 * width, 1),
            "height": round(height, 1),
        }


def _planned(found: Rehearsed) -> dict[str, str]:
    """The run itself, to be held against."""
    return {
        "name": PLANNED,
        "right": percent(right_on_average(found)) if found.openings else "",
        "unattended": percent(found.unattended),
        "off": f"{found.off_hours.mean:.1f} h",
        "paper": f"{found.paper_m.mean:.2f} m",
    }


def _row(one: Compared) -> dict[str, str]:
    name = name_of(one).removeprefix("policy: ")
    return {
        "name": f"{name[0].upper()}{name[1:]}",
        "right": "" if one.right is None else percent(one.right),
        "unattended": percent(one.unattended),
        "off": f"{one.off_hours:.1f} h",
        "paper": f"{one.paper_m:.2f} m",
    }
