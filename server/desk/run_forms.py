"""The forms by which a run is planned, and changed as long as it has not begun."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar, Self
from zoneinfo import ZoneInfo

from django import forms

from machines.recovery import CauseRule, Policy
from machines.serialization import structure
from scheduling.log.models import Machine, Run, Source, Venue
from server.console import formatting
from server.console.formatting import HALF_PRINTED_WORDS
from server.desk import cause_rules
from server.desk.cause_rules import LIMITS, RULES, WITHIN
from server.desk.instants import InstantField, instant_at, parts_of
from server.desk.order_form import Group, NewForm, OrderForm, ReasonForm, without_zeros
from server.desk.run_words import CYCLES

HALF_PRINTED = (("as-the-rest", "like what follows it"), *tuple(HALF_PRINTED_WORDS.items())[1:])
PERIOD = "period"
# Which fields say what of the body.
POLICY = frozenset(("rule", "within", "within_unit", "half_printed", "only_while_closed", *cause_rules.NAMES))
OPTIONS = frozenset(("cycle", "seconds", "epoch"))


def offered_machines() -> list[tuple[str, str]]:
    """The machines that a run may be planned on, each with where it stands."""
    rows = Machine.objects.filter(retired_at=None).select_related("venue").order_by("name", "id")
    return [(row.id, f"{row.name}, {row.venue.name} ({row.venue.zone})") for row in rows]


def offered_sources() -> list[tuple[str, str]]:
    """The pictures that a run may print."""
    rows = Source.objects.filter(retired_at=None).order_by("name", "id")
    return [(row.id, row.name) for row in rows]


class RunFields(OrderForm):
    """What is said of a run."""

    PLACES: ClassVar[dict[str, str]] = {
        "machine": "machine",
        "source": "source",
        "cycle": "cycle",
        "cycle_options.seconds": "seconds",
        "cycle_options.epoch": "epoch",
        "cycle_options": "cycle",
        "starts_at": "starts",
        "ends_at": "ends",
        "segments_per_turn": "segments",
        "strips_per_turn": "strips",
        "policy.within": "within",
        "policy.half_printed": "half_printed",
        "policy.only_while_closed": "only_while_closed",
        "policy.by_cause": next(iter(cause_rules.NAMES)),
        "policy.kind": "rule",
        "policy": "rule",
        "machine_id": "machine",  # as its history has them
        "source_id": "source",
        "only_while_open": "only_while_open",
        "begins_in_the_past": "begins_in_the_past",
    }
    GROUPS: ClassVar[tuple[Group, ...]] = (
        Group("", ("source", "machine")),
        Group("When", ("starts", "ends", "begins_in_the_past", "only_while_open")),
        Group("How a turn is counted and cut", ("cycle", "seconds", "epoch", "segments", "strips")),
        Group(
            "After an outage or a hold, what the sky passed meanwhile",
            ("rule", "within", "within_unit", "half_printed", "only_while_closed"),
        ),
        Group("Another rule after some causes", cause_rules.NAMES, "pairs"),
    )

    ASKED: ClassVar[frozenset[str]] = frozenset(cause_rules.NAMES)
    BEGINS: ClassVar[str] = "starts"

    source = forms.ChoiceField(label="What is printed")
    machine = forms.ChoiceField(label="On which machine", help_text="times are by the clock of its venue")
    starts = InstantField(label="It begins")
    ends = InstantField(label="It ends")
    only_while_open = forms.BooleanField(
        required=False, label="Print only while the venue is open", help_text="closed hours are as if it was held"
    )
    begins_in_the_past = forms.BooleanField(
        required=False,
        label="It may begin in the past",
        help_text="what is over, and not told as printed, is settled as missed",
    )
    cycle = forms.ChoiceField(
        choices=tuple(CYCLES.items()), label="A turn of the paper follows", initial="apparent-solar-day"
    )
    seconds = forms.FloatField(required=False, label="Length of a turn, seconds", help_text="of a plain period")
    epoch = InstantField(
        (("start", "where the run begins"), ("clock", "by the clock there"), ("sky", "by the sky there")),
        required=False,
        label="A plain period is counted from",
    )
    segments = forms.IntegerField(
        min_value=1, initial=48, label="Segments a turn",
        help_text="in so many pieces a turn is handed out to the machine and told of by it",
    )  # fmt: skip
    strips = forms.IntegerField(
        min_value=0, initial=0, label="Strips a turn", help_text="into which the knife cuts it; 0 to wind it up uncut"
    )
    rule = forms.ChoiceField(choices=RULES,
        label="What was missed", initial="skip",
    )  # fmt: skip
    within = forms.FloatField(required=False, label="Print late at most the newest")
    within_unit = forms.ChoiceField(choices=LIMITS, required=False, label="Hours, or turns of the sky", initial="hours")
    half_printed = forms.ChoiceField(
        choices=HALF_PRINTED, label="A segment that was half printed", initial="as-the-rest"
    )
    only_while_closed = forms.BooleanField(required=False, label="Catch up only while the venue is closed")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields |= cause_rules.fields()
        for name, choices in (("machine", offered_machines()), ("source", offered_sources())):
            field = self.fields.get(name)
            if isinstance(field, forms.ChoiceField):
                field.choices = [("", "choose one"), *choices]

    def words_of(self, path: str, value: Any, clock: ZoneInfo | None) -> str:
        """Exceptions of a policy in words, too."""
        if path != "policy.by_cause":
            return super().words_of(path, value, clock)
        return formatting.exceptions(structure(value or (), tuple[CauseRule, ...])) or "-"

    def label_of(self, path: str) -> str:
        """Exceptions together."""
        return "Exceptions" if path == "policy.by_cause" else super().label_of(path)

    def clean(self) -> dict[str, Any]:
        """The instants are those of the venue where the chosen machine stands."""
        cleaned: dict[str, Any] = self.cleaned_data
        venue = self.venue()
        if venue is not None:
            named = ("starts", "earliest", "latest", "ends", "epoch")
            self.instants: dict[str, str | None] = {
                name: instant_at(self, name, venue) for name in named if name in self.fields
            }
        if cleaned.get("cycle") == PERIOD and cleaned.get("seconds") is None and "seconds" not in self.errors:
            self.add_error("seconds", "Say how long a turn of a plain period is.")
        prints_within = {"within": cleaned.get("rule") == WITHIN, "other_within": cause_rules.needs_limit(cleaned)}
        for name, is_needed in prints_within.items():
            if is_needed and cleaned.get(name) is None and name not in self.errors:
                self.add_error(name, "Say how much of it is printed late.")
        return cleaned

    def place_of(self, path: str) -> str | None:
        """An exception stands for its first cause."""
        place = cause_rules.place_of(path, getattr(self, "cleaned_data", {}))
        return place if place in self.fields else super().place_of(path)

    def venue(self) -> Venue | None:
        """Where the machine stands; None where none is chosen."""
        machine = Machine.objects.select_related("venue").filter(id=self.cleaned_data.get("machine")).first()
        return None if machine is None else machine.venue

    def said(self) -> dict[str, Any]:
        """A run as the API takes it."""
        said = self.cleaned_data
        plain = {path: said[self.PLACES[path]] for path in ("machine", "source", "cycle", "only_while_open")}
        return plain | {
            "cycle_options": self._options(),
            "starts_at": self.instants["starts"],
            "ends_at": self.instants["ends"],
            "segments_per_turn": said["segments"],
            "strips_per_turn": said["strips"],
            "policy": self._policy(),
            "begins_in_the_past": said["begins_in_the_past"],
        }

    def _options(self) -> dict[str, Any]:
        if self.cleaned_data["cycle"] != PERIOD:
            return {"seconds": None, "epoch": None}
        epoch = self.instants.get("epoch") or self.instants.get(self.BEGINS) or self.initial.get("starts_at")
        return {"seconds": self.cleaned_data["seconds"], "epoch": epoch}

    def _policy(self) -> dict[str, Any]:
        said, kind = self.cleaned_data, self.cleaned_data["rule"]
        limit = {"value": said["within"], "unit": said["within_unit"] or "hours"}
        return {
            "kind": kind,
            "within": limit if kind == WITHIN else None,
            "half_printed": said["half_printed"],
            "only_while_closed": said["only_while_closed"],
        } | ({"by_cause": cause_rules.by_cause(said)} if cause_rules.NAMES[0] in self.fields else {})


class NewRunForm(NewForm, RunFields):
    """A new run."""

    model = Run

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["id"].help_text = "made of the picture and the machine where it is empty"

    def named(self, body: Mapping[str, Any]) -> str:
        """The picture and the machine."""
        return f"{body['source']}-{body['machine']}"


class ChangeRunForm(ReasonForm, RunFields):
    """A run that is there, as long as it has not begun."""

    PLACES: ClassVar[dict[str, str]] = RunFields.PLACES | ReasonForm.PLACES

    row: Mapping[str, Any]

    @classmethod
    def of(cls, row: Mapping[str, Any], data: Any, files: Any) -> Self:
        """With the clock of its venue at hand."""
        form = super().of(row, data, files)
        policy = structure(row["policy"], Policy)
        if not cause_rules.can_say(policy):  # it stays as it is
            for name in cause_rules.NAMES:
                del form.fields[name]
        form.row = row
        return form

    @classmethod
    def initial_of(cls, row: Mapping[str, Any]) -> dict[str, Any]:
        """As it stands; its times by the clock where its machine stands."""
        policy, options, clock = structure(row["policy"], Policy), row["cycle_options"], row["zone"]
        epoch = options.get("epoch")
        return {
            "machine": row["machine"],
            "source": row["source"],
            "cycle": row["cycle"],
            "seconds": options.get("seconds"),
            "epoch": {} if epoch is None else parts_of(epoch, clock),
            "starts": parts_of(row["starts_at"], clock),
            "starts_at": row["starts_at"],
            "ends": parts_of(row["ends_at"], clock),
            "only_while_open": row["only_while_open"],
            "segments": row["segments_per_turn"],
            "strips": row["strips_per_turn"],
            "rule": policy.kind,
            "within": None if policy.within is None else without_zeros(policy.within.value),
            "within_unit": "hours" if policy.within is None else policy.within.unit,
            "half_printed": policy.half_printed,
            "only_while_closed": policy.only_while_closed,
        } | cause_rules.initial_of(policy)

    def venue(self) -> Venue | None:
        """Where its machine stands, or another that is chosen."""
        return super().venue() or Venue.objects.filter(id=self.row["venue"]).first()

    def said(self) -> dict[str, Any]:
        """What differs from how it stands: instants are shown to the second, and are more exact."""
        changed, reason = set(self.changed_data), self.cleaned_data["reason"] or None
        if self.row["zone"] != getattr(self.venue(), "zone", None):
            changed |= {"starts", "ends"}  # the same times by another clock
        together = {"policy": POLICY, "cycle_options": OPTIONS}
        body = super().said().items()
        said = {path: value for path, value in body if together.get(path, {self.PLACES[path]}) & changed}
        return said | {"reason": reason}
