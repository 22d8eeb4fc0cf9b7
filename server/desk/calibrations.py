"""What was measured of a machine, on its page: read from a pattern that it printed, seen in what follows, then kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any, ClassVar
from zoneinfo import ZoneInfo

from django import forms
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from machines.errors import InputError
from machines.imaging.patterns import (
    CAUTIONS_AT_KNIFE,
    CAUTIONS_AT_ROLLERS,
    FEED_READING,
    KNIFE_READING,
    NOZZLE_READING,
)
from machines.model.calibration import UNCALIBRATED, Calibration
from machines.model.profile import CarriageHead, Profile
from machines.serialization import structure, unstructure
from scheduling.queries.calibration import calibrate, with_dead, with_feed, with_knife
from scheduling.queries.runs import machine_profile
from server.accounts.roles import require_role
from server.api.in_process import ask
from server.desk.callers import caller_of
from server.desk.machines import MACHINES, MEASURED, measured_words
from server.desk.order_form import Group, OrderForm
from server.desk.ordering import Order, send
from server.desk.pages import not_now
from server.desk.subjects import put_away

RULER_MM = 200.0
AS_THE_MODEL = "As the model says again"
FROM_PANEL = "Print it at its panel with what is kept here now: after each change it is printed anew."


class CalibrationForm(OrderForm):
    """What was read from the patterns; what is left empty stays as it is."""

    PLACES: ClassVar[dict[str, str]] = {
        "feed_factor": "measured",
        "measured_mm": "measured",
        "dead_nozzles": "dead",
        "head_to_knife_mm": "cut_at",
        "cut_at_mm": "cut_at",
    }

    ASKED: ClassVar[frozenset[str]] = frozenset({"printed"})

    printed = forms.FloatField(required=False, label="Length by its own strokes, mm", initial=int(RULER_MM))
    measured = forms.FloatField(
        required=False, label="The same by a steel rule, mm", help_text="left empty, the feed stays as it is"
    )
    feed_as_model = forms.BooleanField(required=False, label=AS_THE_MODEL)
    dead = forms.CharField(
        required=False, label="Steps that are missing", help_text="such as 3, 7; left empty, no nozzle is dead"
    )
    cut_at = forms.FloatField(
        required=False, label="From the full stroke to the cut, mm", help_text="left empty, the knife stays where it is"
    )
    knife_as_model = forms.BooleanField(required=False, label=AS_THE_MODEL)

    def __init__(self, data: Any, stands: Calibration, model: Profile) -> None:
        super().__init__(data, initial={"dead": ", ".join(map(str, stands.dead_nozzles))})
        self.stands, self.model = stands, model
        for name, is_there in (
            ("dead", isinstance(model.head, CarriageHead)),
            ("cut_at", model.knife is not None),
            ("knife_as_model", stands.head_to_knife_mm is not None),
            ("feed_as_model", stands.feed_factor != UNCALIBRATED.feed_factor),
        ):
            if not is_there:
                del self.fields[name]

    def groups(self) -> Sequence[Group]:
        """A pattern each, with how it is read and what is known so far."""

        def lead(reading: str, name: str) -> str:
            known = measured_words(name, getattr(self.stands, name))
            return f"{FROM_PANEL} {reading} Known so far: {MEASURED[name].lower()}, {known}."

        feed = lead(FEED_READING.format(int(RULER_MM)), "feed_factor")
        return (
            Group("The feed ruler", ("printed", "measured", "feed_as_model"), lead=feed),
            Group("The nozzle check", ("dead",), lead=lead(NOZZLE_READING, "dead_nozzles")),
            Group("The knife scale", ("cut_at", "knife_as_model"), lead=lead(KNIFE_READING, "head_to_knife_mm")),
        )

    def clean(self) -> dict[str, Any]:
        """A measure, and that it is as the model says, are not both meant."""
        cleaned: dict[str, Any] = self.cleaned_data
        for measured, as_model in (("measured", "feed_as_model"), ("cut_at", "knife_as_model")):
            if cleaned.get(measured) is not None and cleaned.get(as_model):
                self.add_error(measured, "Say either what was measured, or that it is as the model says.")
        if cleaned.get("measured") is not None and cleaned.get("printed") is None and "printed" not in self.errors:
            self.add_error("printed", "Say how long it is by its own strokes.")
        return cleaned

    def said(self) -> dict[str, Any]:
        """All that was measured, as the API keeps it.

        Raises:
            InputError: it cannot have been read so.
        """
        said, found = self.cleaned_data, self.stands
        if said["measured"] is not None:
            found = with_feed(found, said["printed"], said["measured"])
        elif said.get("feed_as_model"):
            found = replace(found, feed_factor=UNCALIBRATED.feed_factor)
        if "dead" in said:
            found = with_dead(found, _numbers(said["dead"]))
        if said.get("cut_at") is not None:
            found = with_knife(found, self.model, said["cut_at"])
        elif said.get("knife_as_model"):
            found = replace(found, head_to_knife_mm=None)
        body: dict[str, Any] = unstructure(found)
        return body

    def label_of(self, path: str) -> str:
        """What is kept, which is not what is read."""
        return MEASURED.get(path) or super().label_of(path)

    def words_of(self, path: str, value: Any, clock: ZoneInfo | None) -> str:
        """With its unit."""
        return measured_words(path, value) if path in MEASURED else super().words_of(path, value, clock)


def _numbers(text: str) -> tuple[int, ...]:
    try:
        return tuple(int(one) for one in text.replace(",", " ").split())
    except ValueError:
        raise InputError("dead_nozzles", f"{text!r} are no numbers of nozzles", "give them like 3, 7") from None


@login_required
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def measure(request: HttpRequest, id: str) -> HttpResponse:
    """How each pattern is read; what would follow; then it is kept."""
    caller, back = caller_of(request), reverse("desk-machine", args=[id])
    require_role(caller.holder.standing, calibrate)
    row = MACHINES.seen_one(ask(caller, "GET", f"machines/{id}").body)
    title = f"What was measured of {row['name']}"
    if why := put_away(row):
        return not_now(request, MACHINES, row, title, why)
    found = ask(caller, "GET", f"machines/{id}/calibration")
    stands = UNCALIBRATED if found.body is None else structure(found.body, Calibration)
    model = machine_profile(profile=row["profile"])
    form = CalibrationForm(request.POST if request.method == "POST" else None, stands, model)
    cautions = CAUTIONS_AT_ROLLERS if model.knife is None else CAUTIONS_AT_KNIFE
    page: dict[str, Any] = {"subject": MACHINES, "row": row, "form": form, "title": title, "cautions": cautions}
    tag = request.POST.get("tag") or found.tag or ""
    if request.method == "POST" and form.is_valid():
        order = Order(
            method="PUT",
            address=f"machines/{id}/calibration",
            done=lambda _: f"What was measured of {row['name']} is kept.",
            then=lambda _: back,
            accepts=False,
        )
        sent = send(request, form, order, tag)
        if sent.answer is not None:
            return sent.answer
        page["looked"], tag = sent.looked, sent.tag
    page |= {"tag": tag, "back": back, "previews": True, "verb": "Keep it so"}
    return render(request, "desk/calibration.html", page)
