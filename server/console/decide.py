"""Deciding on an outage while it is open: see what each way to settle it would mean, then choose one."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy as lazy
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from machines.errors import InputError
from machines.recovery import Limit
from scheduling.commands.override import NothingOpen, override_run
from scheduling.log.models import Run
from scheduling.log.remarks import LONGEST_REMARK
from scheduling.log.store import Attribution, VersionConflict
from scheduling.outages.open_outage import open_outage
from scheduling.outages.options import RULE_KINDS, RuleOptions, choices
from scheduling.queries.machine_context import machine_context
from scheduling.queries.runs import machine_of
from server import wiring
from server.console.author import author, for_givers_of
from server.console.choices import outage_page
from server.console.language import spoken

HALF_PRINTED = (
    ("as-the-rest", lazy("treat its rest like what follows it")),
    ("finish", lazy("finish it late, whatever else")),
    ("abandon", lazy("leave out its rest, whatever else")),
    ("again", lazy("print it again from its beginning")),
)
UNITS = (("hours", lazy("hours")), ("turns", lazy("turns")))
USUAL = {"half_printed": "as-the-rest", "within": "6", "unit": "hours"}
AS_USUAL = RuleOptions(Limit(value=6.0, unit="hours"))


class WishesForm(forms.Form):
    """What goes with the choices."""

    half_printed = forms.ChoiceField(choices=HALF_PRINTED)
    within = forms.FloatField(min_value=0.01, max_value=10_000)
    unit = forms.ChoiceField(choices=UNITS)
    only_while_closed = forms.BooleanField(required=False)

    def wishes(self) -> RuleOptions:
        """What a valid form says."""
        said = self.cleaned_data
        limit = Limit(value=said["within"], unit=said["unit"])
        return RuleOptions(limit, half_printed=said["half_printed"], only_while_closed=said["only_while_closed"])


class DecisionForm(WishesForm):
    """A choice, and why."""

    kind = forms.ChoiceField(
        choices=[(kind, kind) for kind in RULE_KINDS], error_messages={"required": lazy("Choose one.")}
    )
    reason = forms.CharField(required=False, max_length=LONGEST_REMARK)


@for_givers_of(override_run)
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@spoken
def decide(request: HttpRequest, run: str) -> HttpResponse:
    """What is open on a run and what each choice would mean; once one is chosen, the word on it."""
    row = get_object_or_404(Run, pk=run)
    by = author(request, override_run, machine_of(row).venue_id)
    if request.method == "POST":
        decision = DecisionForm(request.POST)
        if decision.is_valid() and (done := _decided(request, row, decision, by)) is not None:
            return done
        return render(request, "console/decide.html", _page(row, decision), status=422)
    form = WishesForm(USUAL | request.GET.dict()) if request.GET else WishesForm(USUAL)
    return render(request, "console/decide.html", _page(row, form))


def _decided(request: HttpRequest, run: Run, form: DecisionForm, by: Attribution) -> HttpResponse | None:
    """The way back to the console; None where the word was not taken, and the form says why."""
    said = form.cleaned_data
    try:
        override_run(run, form.wishes().rule(said["kind"]), said["reason"], by, wiring.chance())
    except InputError as error:
        form.add_error(None, error.said)
    except NothingOpen as error:
        form.add_error(None, _("Nothing was written: {problem}.").format(problem=error))
    except VersionConflict:
        form.add_error(None, _("The machine told something at the same moment; look at how it is now, then decide."))
    else:
        messages.success(request, _("It is decided. The machine's node settles by it when it next fetches its work."))
        return redirect("console")
    return None


def _page(run: Run, form: WishesForm) -> dict[str, Any]:
    """What the page shows: the choices, or that there is nothing to decide."""
    now = wiring.now()
    found = open_outage(machine_context(run.machine, now))
    if found is None or found.run.id != run.id:
        return {"run": run, "form": form, "open": None}
    asked = WishesForm(form.data)
    wishes = asked.wishes() if asked.is_valid() else AS_USUAL
    return {"run": run, "form": form, "open": outage_page(found, choices(found, now, wiring.plates(), wishes), now)}
