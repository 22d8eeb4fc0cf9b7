"""Policies compared on a run's page: an outage is imagined, or taken from the log, and each policy says what it would
make of it. Nothing is kept."""

from __future__ import annotations

from datetime import timedelta
from typing import Any, ClassVar

from django import forms
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from machines.errors import InputError
from machines.operator.stop_causes import CAUSE_WORDS
from machines.serialization import format_instant
from scheduling.log.models import Outage, Run, Venue
from scheduling.outages.imagined import RunThere
from scheduling.outages.policies_compared import PoliciesCompared
from scheduling.queries.machine_context import machine_context
from scheduling.queries.runs import machine_of
from scheduling.queries.venue_context import place_of
from scheduling.sky.anchors import parse, resolve
from scheduling.sky.zones import zone
from server import wiring
from server.api.in_process import ask
from server.console import formatting
from server.console.choices import faster
from server.console.decide import HALF_PRINTED, UNITS
from server.desk.callers import caller_of
from server.desk.order_form import Group, OrderForm
from server.desk.policy_words import policies_shown, told
from server.desk.runs import RUNS

NEWEST_OUTAGES = 20
USUAL_HOURS = 8


class OutageForm(OrderForm):
    """An outage, and what goes with the policies."""

    PLACES: ClassVar[dict[str, str]] = {
        "from": "starts",
        "until": "hours",
        "starts_at": "starts",
        "civil": "starts",
        "cause": "cause",
        "outage": "outage",
        "within": "within",
        "unit": "unit",
        "half_printed": "half_printed",
        "only_while_closed": "only_while_closed",
    }
    GROUPS: ClassVar[tuple[Group, ...]] = (
        Group("An outage", ("starts", "hours", "cause", "outage")),
        Group("What goes with the policies", ("within", "unit", "half_printed", "only_while_closed")),
    )
    ASKED: ClassVar[frozenset[str]] = frozenset({"starts", "hours"})

    starts = forms.CharField(
        required=False,
        label="From, by the clock there",
        help_text="such as 2026-11-20T22:00",
        widget=forms.TextInput(attrs={"type": "datetime-local"}),
    )
    hours = forms.FloatField(required=False, min_value=0.01, max_value=10_000, label="For how many hours")
    cause = forms.ChoiceField(choices=[(id, f"After {said}") for id, said in CAUSE_WORDS.items()], label="Why")
    outage = forms.ChoiceField(required=False, label="Or one that was", help_text="its hours and its cause count then")
    within = forms.FloatField(min_value=0.01, max_value=10_000, label="The newest, printed late: how much")
    unit = forms.ChoiceField(choices=UNITS, label="In")
    half_printed = forms.ChoiceField(choices=HALF_PRINTED, label="The half-printed segment")
    only_while_closed = forms.BooleanField(required=False, label="Print late only while the venue is closed")

    def __init__(self, data: Any, initial: dict[str, Any], run: Run, clock_of: str) -> None:
        super().__init__(data, initial=initial)
        rows = Outage.objects.filter(machine_id=run.machine_id).order_by("-noticed_at")[:NEWEST_OUTAGES]
        named = [(row.id, f"{formatting.moment(row.noticed_at, clock_of)}, {row.cause}") for row in rows]
        field = self.fields["outage"]
        assert isinstance(field, forms.ChoiceField)
        field.choices = [("", "none of them"), *named]

    def clean(self) -> dict[str, Any]:
        """A span, or an outage of the log."""
        said: dict[str, Any] = self.cleaned_data
        for name in ("starts", "hours"):
            if not (said.get("outage") or said.get(name) or name in self.errors):
                self.add_error(name, "Say when, or choose one that was.")
        return said

    def query(self, venue: Venue) -> dict[str, str]:
        """What the API is asked.

        Raises:
            InputError: the clock there never shows that time, or twice.
        """
        said = self.cleaned_data
        query = {name: str(said[name]) for name in ("within", "unit", "half_printed")}
        query["only_while_closed"] = "true" if said["only_while_closed"] else "false"
        if said["outage"]:
            return query | {"outage": said["outage"]}
        civil = {"civil": said["starts"], "zone": venue.zone}
        begins = resolve(parse(civil), place_of(venue), zone(venue.zone))
        try:
            ends = begins + timedelta(hours=said["hours"])
        except OverflowError:
            raise InputError("until", "the calendar ends before that", "give an earlier one") from None
        return query | {"from": format_instant(begins), "until": format_instant(ends), "cause": said["cause"]}


@login_required
@never_cache
@require_safe
def policies(request: HttpRequest, id: str) -> HttpResponse:
    """A form for an outage; once it is said, what each policy would make of it."""
    caller = caller_of(request)
    row = RUNS.seen_one(ask(caller, "GET", f"runs/{id}").body)
    run = Run.objects.get(pk=id)
    there = RunThere(machine_context(machine_of(run), wiring.now()), run)
    form = OutageForm(request.GET or None, _usual(there), run, there.venue.zone)
    page: dict[str, Any] = {"row": row, "form": form, "zone": there.venue.zone}
    if form.is_valid():
        try:
            page |= _shown(there, told(ask(caller, "GET", f"runs/{id}/policies", **form.query(there.venue)).body))
        except InputError as error:
            form.refuse(error)
    return render(request, "desk/policies.html", page, status=422 if form.errors else 200)


def _usual(there: RunThere) -> dict[str, Any]:
    """So many hours from the middle of the run on, at whatever time of the day that is."""
    run = there.run
    begins = (run.starts_at + (run.ends_at - run.starts_at) / 2).astimezone(zone(there.venue.zone))
    return {
        "starts": f"{begins:%Y-%m-%dT%H}:00",
        "hours": USUAL_HOURS,
        "cause": "power",
        "within": 6,
        "unit": "hours",
        "half_printed": "as-the-rest",
    }


def _shown(there: RunThere, found: PoliciesCompared) -> dict[str, Any]:
    zone = there.venue.zone
    return {
        "policies": policies_shown(there, found),
        "span": f"{formatting.moment(found.starts_at, zone)} to {formatting.moment(found.ends_at, zone)}",
        "after": CAUSE_WORDS.get(found.gap.cause, found.gap.cause),
        "missing": formatting.columns(found.gap.end - found.gap.first),
        "faster": faster(found.times_as_fast),
        "not_reckoned": found.not_reckoned,
    }
