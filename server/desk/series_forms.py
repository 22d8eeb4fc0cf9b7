"""The forms by which a series of openings is made, and changed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from typing import Any, ClassVar, Self
from zoneinfo import ZoneInfo

from django import forms

from machines.errors import InputError
from scheduling.log.models import OpeningSeries, Venue
from scheduling.planning.recurrence import BOUNDS, LONGEST_RULE
from scheduling.queries.names import LONGEST_NAME
from scheduling.sky.durations import parse_duration
from server.accounts.principals import Grant
from server.console import formatting
from server.desk.instants import BY_CLOCK, BY_SKY, InstantField, SaidInstant, instant_at
from server.desk.order_form import Group, NewForm, OrderForm, ReasonForm
from server.desk.series_rule import (
    HOW_OFTEN,
    ONCE,
    OWN,
    WEEKDAYS,
    WEEKLY,
    First,
    Recurs,
    first_of,
    in_words,
    rule_of,
    said_of,
)

AS_IT_IS = ("as-it-is", "as it is")
TOGETHER = (
    ("instant", "at the same instant"),
    ("local", "each at that time by its own clock, or that event of its own sky"),
)
RULE = frozenset(("recurs", "every", "days", "count", "until", "own"))
LONGEST_MINUTES = 7 * 24 * 60


class DatesField(forms.CharField):
    """Dates, one a line."""

    widget = forms.Textarea(attrs={"rows": 3, "spellcheck": "false", "placeholder": "2026-12-25"})

    def clean(self, value: Any) -> Any:
        """As RFC 3339 writes them."""
        lines = super().clean(value).split()
        try:
            return [date.fromisoformat(line).isoformat() for line in lines]
        except ValueError:
            raise forms.ValidationError("Give a date a line, such as 2026-12-25.") from None


class SeriesFields(OrderForm):
    """What is said of a series."""

    PLACES: ClassVar[dict[str, str]] = {
        "name": "name",
        "anchor": "opens",
        "closing": "lasts",
        "rule": "recurs",
        "dates_off": "dates_off",
        "venues": "venue",
        "together": "together",
    }
    GROUPS: ClassVar[tuple[Group, ...]] = (
        Group("", ("name",)),
        Group("Where", ("venue", "others", "together")),
        Group("The first", ("opens", "lasts")),
        Group("How often", ("recurs", "days", "every", "count", "until", "own", "dates_off")),
    )
    ASKED: ClassVar[frozenset[str]] = frozenset({"count", "until", "own"})

    name = forms.CharField(max_length=LONGEST_NAME, label="What each is called")
    venue = forms.ChoiceField(label="At", help_text="whose clock and sky name the time of the first")
    others = forms.MultipleChoiceField(required=False, widget=forms.CheckboxSelectMultiple, label="And at")
    together = forms.ChoiceField(
        choices=TOGETHER, initial="instant", widget=forms.RadioSelect, label="At several they open"
    )
    opens = InstantField(label="It opens")
    lasts = forms.IntegerField(
        required=False, min_value=1, max_value=LONGEST_MINUTES, label="Open for, minutes",
        help_text="nobody knows its end where it is left empty",
    )  # fmt: skip
    recurs = forms.ChoiceField(choices=HOW_OFTEN, initial=WEEKLY, label="They come")
    days = forms.MultipleChoiceField(
        required=False, choices=WEEKDAYS, widget=forms.CheckboxSelectMultiple, label="On",
        help_text="the weekday of the first where none is chosen",
    )  # fmt: skip
    every = forms.IntegerField(
        required=False, min_value=BOUNDS["INTERVAL"][0], max_value=BOUNDS["INTERVAL"][1], initial=1,
        label="Every so many", help_text="days, weeks or months",
    )  # fmt: skip
    count = forms.IntegerField(
        required=False, min_value=BOUNDS["COUNT"][0], max_value=BOUNDS["COUNT"][1], label="So many dates",
        help_text="or the last date below",
    )  # fmt: skip
    until = forms.DateField(
        required=False, label="Until and with", input_formats=["%Y-%m-%d"],
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
    )  # fmt: skip
    own = forms.CharField(
        required=False, max_length=LONGEST_RULE, label="Rule", help_text="as RFC 5545, section 3.3.10, writes it"
    )
    dates_off = DatesField(required=False, label="But not on", help_text="dates of it, one a line")

    def clean(self) -> dict[str, Any]:
        """What the first is named by, and that a series ends."""
        cleaned: dict[str, Any] = self.cleaned_data
        self.anchor = self._anchor(Venue.objects.filter(id=self.named_by()).first())
        how = cleaned.get("recurs")
        if how == OWN and not cleaned.get("own") and "own" not in self.errors:
            self.add_error("own", "Say by which rule.")
        has_one_end = (cleaned.get("count") is None) != (cleaned.get("until") is None)
        if how not in (ONCE, OWN, None) and not has_one_end and not {"count", "until"} & set(self.errors):
            self.add_error("count", "Say either how many dates there are, or the last of them.")
        return cleaned

    def named_by(self) -> str:
        """Id of the venue whose clock and sky name the first."""
        return str(self.cleaned_data.get("venue", ""))

    def anchor_before(self) -> Mapping[str, Any] | None:
        """How the first was named before."""
        return None

    def _anchor(self, venue: Venue | None) -> dict[str, Any] | None:
        """How it is named now; None where that stays."""
        said = self.cleaned_data.get("opens")
        if venue is None or not isinstance(said, SaidInstant) or said.anchor is None:
            return None
        instant_at(self, "opens", venue)  # says beside it what cannot be, and asks which of two is meant
        return said.anchor | ({"zone": venue.zone} if "civil" in said.anchor else {})

    def place_of(self, path: str) -> str | None:
        """A rule of one's own stands in its own field."""
        is_own = path == "rule" and self.is_bound and self["recurs"].value() == OWN
        return "own" if is_own else super().place_of(path)

    def words_of(self, path: str, value: Any, clock: ZoneInfo | None) -> str:
        """Rules, lengths and dates in words."""
        if path == "rule":
            return in_words(value, self._first_of(value))
        if path == "closing.duration" and value is not None:
            return formatting.duration(parse_duration(value))
        if path in ("dates_off", "venues") and value is not None:
            names = dict(Venue.objects.filter(id__in=value).values_list("id", "name")) if path == "venues" else {}
            return ", ".join(names.get(one, one) for one in value) or "-"
        return super().words_of(path, value, clock)

    def _first_of(self, rule: str | None) -> First | None:
        """The first that a rule is of: as it was, or as it is said now."""
        named = (self.anchor_before(), getattr(self, "anchor", None))
        firsts = [first_of(one) for one in named if one is not None]
        return next((one for one in firsts if said_of(rule, one).how != OWN), None)

    def recurring(self) -> Recurs:
        """How often they come, as a valid form says it."""
        said = self.cleaned_data
        if said["recurs"] in (ONCE, OWN):
            return Recurs(how=said["recurs"], own=said["own"] if said["recurs"] == OWN else "")
        days = tuple(said["days"]) if said["recurs"] == WEEKLY else ()
        end = {"count": said["count"], "until": said["until"]}
        return Recurs(how=said["recurs"], every=said["every"] or 1, days=days, **end)

    def closing(self) -> dict[str, Any] | None:
        """How long one is open."""
        minutes = self.cleaned_data["lasts"]
        return None if minutes is None else {"duration": f"PT{minutes}M"}

    def rule(self, anchor: Mapping[str, Any]) -> str | None:
        """The rule, as it follows from the first.

        Raises:
            InputError: the first has no date.
        """
        said, first = self.recurring(), first_of(anchor)
        if said.how in (ONCE, OWN):
            return said.own or None
        if first is None:
            raise InputError("rule", "the first is named without a date", "name it by the clock or by the sky")
        return rule_of(said, first)


class NewSeriesForm(NewForm, SeriesFields):
    """A new series."""

    model = OpeningSeries
    REPEATS: ClassVar[bool] = False  # each of its openings is told

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._offer([*Venue.objects.filter(retired_at=None).order_by("name", "id")])

    def offer_to(self, standing: Grant) -> None:
        """Only the venues that they may fix openings at."""
        rows = Venue.objects.filter(retired_at=None).order_by("name", "id")
        self._offer([row for row in rows if standing.venues is None or row.id in standing.venues])

    def _offer(self, rows: Sequence[Venue]) -> None:
        choices = [(row.id, f"{row.name} ({row.zone})") for row in rows]
        for name in ("venue", "others"):
            field = self.fields[name]
            assert isinstance(field, forms.ChoiceField)
            field.choices = choices if name == "others" else [("", "choose one"), *choices]

    def said(self) -> dict[str, Any]:
        """A series as the API takes it."""
        said, anchor = self.cleaned_data, self.anchor or {}
        return super().said() | {
            "venues": list(dict.fromkeys((said["venue"], *said["others"]))),
            "anchor": anchor,
            "closing": self.closing(),
            "rule": self.rule(anchor),
        }


class ChangeSeriesForm(ReasonForm, SeriesFields):
    """A series that is there; at other venues it would be another one."""

    PLACES: ClassVar[dict[str, str]] = SeriesFields.PLACES | ReasonForm.PLACES

    row: Mapping[str, Any]

    @classmethod
    def of(cls, row: Mapping[str, Any], data: Any, files: Any) -> Self:
        """Without where it is; its first is as it is where nobody says otherwise."""
        form = cls(data, files, initial=cls.initial_of(row))
        form.row = row
        for name in ("venue", "others", "together"):
            del form.fields[name]
        opens, lasts = form.fields["opens"], form.fields["lasts"]
        assert isinstance(opens, InstantField)
        opens.offer((AS_IT_IS, BY_CLOCK, BY_SKY))
        opens.help_text = f"now {formatting.anchor(row['anchor'])}"
        if row["closing"] is not None and "duration" not in row["closing"]:
            lasts.help_text = f"now until {formatting.anchor(row['closing'])}, as long as it is left empty"
        return form

    @classmethod
    def initial_of(cls, row: Mapping[str, Any]) -> dict[str, Any]:
        """As it stands."""
        anchor, closing = row["anchor"], row["closing"] or {}
        recurs, first = said_of(row["rule"], first_of(anchor)), first_of(anchor)
        minutes = parse_duration(closing["duration"]) / timedelta(minutes=1) if "duration" in closing else None
        return {
            "name": row["name"],
            "opens": {"by": AS_IT_IS[0], "date": None if first is None else first.day.isoformat()},
            "lasts": None if minutes is None else round(minutes),
            "recurs": recurs.how,
            "every": recurs.every,
            "days": list(recurs.days),
            "count": recurs.count,
            "until": recurs.until,
            "own": recurs.own,
            "dates_off": "\n".join(row["dates_off"]),
        }

    def named_by(self) -> str:
        """The first of its venues."""
        return str(self.row["venues"][0])

    def anchor_before(self) -> Mapping[str, Any]:
        """As it stands."""
        anchor: Mapping[str, Any] = self.row["anchor"]
        return anchor

    def said(self) -> dict[str, Any]:
        """What differs from how it stands."""
        cleaned, changed = self.cleaned_data, set(self.changed_data)
        body: dict[str, Any] = {"reason": cleaned["reason"] or None}
        for path in ("name", "dates_off"):
            if path in changed:
                body[path] = cleaned[path]
        if self.anchor is not None:
            body["anchor"] = _instead_of(self.row["anchor"], self.anchor)
        if "lasts" in changed:
            body["closing"] = _instead_of(self.row["closing"], self.closing())
        # Its last date and its weekday are told with the first.
        if RULE & changed or (self.anchor is not None and cleaned["recurs"] not in (ONCE, OWN)):
            body["rule"] = self.rule(self.anchor or self.row["anchor"])
        return body


def _instead_of(before: Mapping[str, Any] | None, after: dict[str, Any] | None) -> dict[str, Any] | None:
    """An object of a merge patch in which nothing stays of what was there."""
    return None if after is None else dict.fromkeys(before or {}) | after
