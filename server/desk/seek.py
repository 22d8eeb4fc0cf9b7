"""A run sought on a page: wishes are added one by one, the nearest beginnings are shown side by side, and one of them
fills in the form by which a run is planned. Nothing is kept."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from machines.errors import InputError
from machines.serialization import structure
from scheduling.commands.plan_run import PlanRun
from scheduling.commands.run_search import MOST_WISHES, RunSearch, SeekRun
from server import wiring
from server.accounts.roles import require_role
from server.api.in_process import Caller, ask
from server.console.own_clock import OwnClock, own_clock, with_own_clock
from server.desk.callers import caller_of
from server.desk.seek_form import SeekForm
from server.desk.seek_shown import shown
from server.desk.seek_start import opening_asked, starting
from server.desk.wish_forms import WISHES, WishForm, as_typed, wish_forms

# How a field of a wish is called, and the number of one that is taken out: no longer than those that a page has.
OF_WISH = re.compile(r"w([0-9]{1,2})-(.+)", re.ASCII)
NUMBER = re.compile(r"[0-9]{1,2}", re.ASCII)
# Buttons of the form, and what they send.
ADDS, TAKES_OUT, SEEKS = "add", "without", "seek"


@login_required
@never_cache
@require_safe
@with_own_clock
def seek(request: HttpRequest) -> HttpResponse:
    """The form; once it is sent, what comes nearest."""
    caller, data = caller_of(request), request.GET
    require_role(caller.holder.standing, PlanRun)
    if ADDS in data or TAKES_OUT in data:
        return redirect(_otherwise(request.path, data))
    is_asked, own = SEEKS in data, own_clock(request)
    form, wishes = _forms(data, is_asked=is_asked)
    page: dict[str, Any] = {"form": form, "wishes": list(enumerate(wishes)), "kinds": WISHES.values(), "own": own}
    page |= {"may_add": len(wishes) < MOST_WISHES, "opening": data.get("opening", "")}
    if is_asked and _are_valid(form, wishes):
        page |= _found(caller, form, wishes, own, data.get("opening", ""))
    is_wrong = bool(form.errors or any(wish.errors for wish in wishes))
    return render(request, "desk/seek.html", page, status=422 if is_wrong else 200)


def _forms(data: QueryDict, *, is_asked: bool) -> tuple[SeekForm, list[WishForm]]:
    """The form and its wishes: as they were sent, or as far as they were typed, or as they are at first."""
    if is_asked:
        return SeekForm(data), wish_forms(data, is_asked=True)
    first = starting(data, wiring.now())
    form = SeekForm(initial=first.form)
    form.initial = {**form.initial, **as_typed(form, data)}
    if "wish" in data:
        return form, wish_forms(data, is_asked=False)
    return form, [WISHES[first.kind](prefix="w0", initial=first.wish)]


def _are_valid(form: SeekForm, wishes: Sequence[WishForm]) -> bool:
    """Whether all of them can be read; each is looked at, so that all that is wrong is told."""
    is_well = form.is_valid()
    venue, source, cycle = form.venue(), form.printed(), form.cleaned_data.get("cycle", "")
    for wish in wishes:
        wish.venue, wish.source, wish.cycle = venue, source, cycle
        is_well = wish.is_valid() and is_well
    return is_well


def _found(caller: Caller, form: SeekForm, wishes: Sequence[WishForm], own: OwnClock, opening: str) -> dict[str, Any]:
    body = form.said() | {"wishes": [wish.said() for wish in wishes]}
    try:
        answer = ask(caller, "POST", "run-searches", body).body
    except InputError as error:
        _refuse(form, wishes, error)
        return {}
    sought, found = structure(body, SeekRun), structure(answer, RunSearch)
    return shown(sought, found, [wish.title for wish in wishes], own, opening_asked(opening))


def _refuse(form: SeekForm, wishes: Sequence[WishForm], error: InputError) -> None:
    """Put what is wrong beside its field: of a wish, in that."""
    for number, wish in enumerate(wishes):
        place = f"wishes[{number}]"
        if error.field == place or error.field.startswith(f"{place}."):
            wish.refuse(InputError(error.field[len(place) + 1 :], error.problem, error.remedy))
            return
    if error.field == "wishes":
        many = f"More than {MOST_WISHES} wishes are not weighed against each other: take one out."
        form.add_error(None, many if wishes else "Add a wish first.")
        return
    form.refuse(error)


def _otherwise(path: str, data: QueryDict) -> str:
    """The same address with a wish more or less; all that was typed stays."""
    after = data.copy()
    kinds, out, kind = after.getlist("wish"), str(after.get(TAKES_OUT, "")), str(after.get("kind", ""))
    kinds, at = [one for one in kinds if one in WISHES], "wishes"
    for name in (ADDS, TAKES_OUT, SEEKS, "kind"):
        after.pop(name, None)
    if NUMBER.fullmatch(out) and int(out) < len(kinds):
        kinds.pop(int(out))
        _without(after, int(out))
    elif kind in WISHES and len(kinds) < MOST_WISHES:
        at = f"wish-{len(kinds)}"
        kinds.append(kind)
    after.setlist("wish", kinds or [""])
    return f"{path}?{after.urlencode()}#{at}"


def _without(data: QueryDict, number: int) -> None:
    """Take the fields of a wish out, and number those after it anew."""
    for name in list(data):
        found = OF_WISH.fullmatch(name)
        of = -1 if found is None else int(found[1])
        if found is None or of < number:
            continue
        values = data.pop(name)
        if of > number:
            data.setlist(f"w{of - 1}-{found[2]}", values)
