"""Models of machines on the pages: their numbers, what follows from these, and their versions."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any, ClassVar, TypeVar

from django import forms
from django.http import QueryDict

from machines.errors import InputError
from machines.model.profile import Profile as MachineProfile
from scheduling.commands.handlers import IdInUse
from scheduling.log.models import Machine, Profile
from scheduling.queries.names import LONGEST_NAME, find
from server.api.in_process import Caller, ask
from server.desk.history_words import versions_in_words
from server.desk.model_drawing import Drawing, drawn
from server.desk.model_words import follows, in_short, paces
from server.desk.order_form import Group, NewForm, OrderForm, ReasonForm, without_nulls
from server.desk.starting_models import STARTING_MODELS
from server.desk.subjects import Facts, Row, Subject, retiring

T = TypeVar("T")
HEADS = (("carriage", "a carriage that crosses the paper"), ("line", "a line as wide as the paper"))
ENDS = (("cut", "cut by a knife"), ("wound", "wound up"))
TRAVELS = (("right", "to the right"), ("left", "to the left"))
OF_CARRIAGE = ("nozzles", "passes", "drop", "cartridge", "idle_drops", "idle_every")
OF_LINE = ("dot_current", "supply_current", "strobe")
OF_KNIFE = ("knife", "cuts")
NEEDED = {"carriage": ("nozzles", "passes", "drop"), "line": OF_LINE, "cut": OF_KNIFE, "wound": ()}


def _number(label: str, hint: str = "", *, required: bool = True) -> forms.FloatField:
    return forms.FloatField(label=label, help_text=hint, required=required)


def _count(label: str, hint: str = "", *, required: bool = True) -> forms.IntegerField:
    return forms.IntegerField(label=label, help_text=hint, required=required)


class ModelFields(OrderForm):
    """The numbers of a model."""

    PLACES: ClassVar[dict[str, str]] = {
        "profile.name": "name",
        "profile.mm_per_turn": "turn",
        "profile.columns_per_turn": "columns",
        "profile.print_width_mm": "width",
        "profile.dots_across": "dots",
        "profile.travel": "travel",
        "profile.highest_mm_per_hour": "highest",
        "profile.columns_per_burst": "burst",
        "profile.head.kind": "head",
        "profile.head.nozzles": "nozzles",
        "profile.head.passes": "passes",
        "profile.head.drop_pl": "drop",
        "profile.head.cartridge_ml": "cartridge",
        "profile.head.idle_firing.drops": "idle_drops",
        "profile.head.idle_firing.every_s": "idle_every",
        "profile.head.dot_current_a": "dot_current",
        "profile.head.supply_current_a": "supply_current",
        "profile.head.strobe_s": "strobe",
        "profile.knife.head_to_knife_mm": "knife",
        "profile.knife.cuts_per_blade": "cuts",
        "profile.media.width_mm": "paper",
        "profile.media.caliper_mm": "caliper",
        "profile.media.roll_m": "roll",
        "profile.clock_tolerance_dots": "clock",
        "profile.encoder_pitch_mm": "encoder",
        "profile.slip_threshold_mm": "slip",
    }
    GROUPS: ClassVar[tuple[Group, ...]] = (
        Group("", ("name",)),
        Group("The picture on the paper", ("turn", "columns", "width", "dots", "travel"), "pairs"),
        Group("How fast", ("highest", "burst"), "pairs"),
        Group("The paper", ("paper", "caliper", "roll"), "pairs"),
        Group("The head", ("head",)),
        Group("", OF_CARRIAGE, "pairs only-carriage"),
        Group("", OF_LINE, "pairs only-line"),
        Group("Where the paper goes", ("end",)),
        Group("", OF_KNIFE, "pairs only-cut"),
        Group("What it must be sure of", ("clock", "encoder", "slip"), "pairs"),
    )
    ASKED: ClassVar[frozenset[str]] = frozenset({*NEEDED["carriage"], *OF_LINE, *OF_KNIFE})

    looked_template: ClassVar[str] = "desk/_model_looked.html"

    name = forms.CharField(max_length=LONGEST_NAME, label="What the model is called")
    turn = _number("Length of a turn, mm", "of the paper that one turn of the cycle fills")
    columns = _count("Columns in a turn", "lines of dots across the paper")
    width = _number("Width of the print, mm")
    dots = _count("Dots in a column")
    travel = forms.ChoiceField(
        choices=TRAVELS, initial="right", label="The paper moves", help_text="seen from the front"
    )
    highest = _number("Highest speed, mm an hour", "that it can keep up for hours on end")
    burst = _count("Columns laid at a time", "1 for a head that can crawl")
    paper = _number("Width of the paper, mm")
    caliper = _number("Thickness of the paper, mm")
    roll = _number("Length of a new roll, m")
    head = forms.ChoiceField(choices=HEADS, initial="carriage", label="Kind of head", widget=forms.RadioSelect)
    nozzles = _count("Nozzles", "in a row along the feed, a column apart", required=False)
    passes = _count("Nozzles that set each dot", "with 2 or more no dead nozzle leaves a line", required=False)
    drop = _number("One drop, pl", required=False)
    cartridge = _number("Ink in a new cartridge, ml", required=False)
    idle_drops = _count("Drops of an idle nozzle", "into the waste, so that its ink does not dry", required=False)
    idle_every = _number("Each so many seconds", required=False)
    dot_current = _number("Current of a dot, A", required=False)
    supply_current = _number("Most that the supply gives, A", required=False)
    strobe = _number("One strobe, s", required=False)
    end = forms.ChoiceField(choices=ENDS, initial="cut", label="Beyond the head it is", widget=forms.RadioSelect)
    knife = _number("Head to blade, mm", "from the first nozzle, along the paper", required=False)
    cuts = _count("Cuts of a blade", required=False)
    clock = _number("Clock, columns", "it prints only while its clock is this sure")
    encoder = _number("Encoder, mm a count", "on the paper itself; empty where there is none", required=False)
    slip = _number("Slip that is told, mm")

    @classmethod
    def initial_of(cls, row: Mapping[str, Any]) -> dict[str, Any]:
        """Wound up where there is no knife."""
        found = super().initial_of(row)
        return found | {"end": "wound" if row["profile"].get("knife") is None else "cut"}

    def clean(self) -> dict[str, Any]:
        """What the chosen head, and the knife, need has to be said."""
        cleaned = super().clean() or {}
        for way in (cleaned.get("head"), cleaned.get("end")):
            for name in NEEDED.get(way or "", ()):
                if cleaned.get(name) is None and name not in self.errors:
                    self.add_error(name, "This is needed.")
        return cleaned

    def said(self) -> dict[str, Any]:
        """Without what is of the other head; no knife where the paper is wound up."""
        body, cleaned = super().said(), self.cleaned_data
        profile = body["profile"]
        for path, field in self.PLACES.items():
            if field in (OF_LINE if cleaned["head"] == "carriage" else OF_CARRIAGE):
                profile["head"].pop(path.split(".")[2], None)
                profile["head"][path.split(".")[2]] = None
        if cleaned["idle_drops"] is None and cleaned["idle_every"] is None:
            profile["head"]["idle_firing"] = None
        if cleaned["end"] == "wound":
            profile["knife"] = None
        return body

    def refuse(self, error: InputError | IdInUse) -> None:
        """What paper is measured by stands beside the first of the numbers that cannot change."""
        if isinstance(error, InputError) and error.field == "profile":
            named = (NUMBERS[name] for name in NAME_OF_NUMBER.findall(error.problem) if name in NUMBERS)
            self.add_error(next(named, None), f"{plainly(error.problem)}; {error.remedy}")
        else:
            super().refuse(error)

    def follows(self) -> list[tuple[str, str]]:
        """Its pace, dots and supplies."""
        profile = self._profile()
        return [] if profile is None else in_figures(profile)

    def drawing(self) -> Drawing | None:
        """It to scale."""
        profile = self._profile()
        return None if profile is None else reckoned(drawn, profile, None)

    def _profile(self) -> MachineProfile | None:
        """The model that a valid form says; None where it is none, which the API says beside its field."""
        try:
            return MachineProfile.from_json(without_nulls(self.said()["profile"]))
        except InputError:
            return None


def reckoned(reckon: Callable[[MachineProfile], T], profile: MachineProfile, otherwise: T) -> T:
    """What follows from a model; something else where its numbers are so large or small that they cannot be divided."""
    try:
        return reckon(profile)
    except (ArithmeticError, ValueError):
        return otherwise


def in_figures(profile: MachineProfile) -> list[tuple[str, str]]:
    """What follows from its numbers, in words."""
    return reckoned(follows, profile, [("Nothing", "its numbers are too large or too small; look at them again")])


# The field of each number, by its name in the API; a knife or none is chosen by what becomes of the paper.
NUMBERS = {path.removeprefix("profile."): field for path, field in ModelFields.PLACES.items()} | {"knife": "end"}
NAME_OF_NUMBER = re.compile(r"[a-z]+(?:[._][a-z]+)+|travel|knife", re.ASCII)
AS_NOUNS = {"travel": "the way that the paper moves", "knife": "whether it is cut"}


def plainly(text: str) -> str:
    """A sentence of the API with the numbers of a model as the page calls them, without their units."""

    def called(match: re.Match[str]) -> str:
        name = match[0]
        if name in AS_NOUNS or name not in NUMBERS:
            return AS_NOUNS.get(name, name)
        return str(ModelFields.base_fields[NUMBERS[name]].label).partition(",")[0].lower()

    return NAME_OF_NUMBER.sub(called, text)


class NewModelForm(NewForm, ModelFields):
    """A new model."""

    model = Profile
    page_template: ClassVar[str] = "desk/new_model.html"
    REPEATS: ClassVar[bool] = False  # its figures say more than two dozen numbers twice
    starts: ClassVar[list[tuple[str, str, str]]] = [
        (key, str(numbers["name"]), said) for key, (said, numbers) in STARTING_MODELS.items()
    ]

    @classmethod
    def starting(cls, query: QueryDict) -> dict[str, Any]:
        """Those of a starting model, or of one that is there."""
        if (like := find(Profile, query.get("like", ""))) is not None:
            found = cls.initial_of({"profile": like.data})
            return found | {"name": f"{like.name}, otherwise"}
        _, numbers = STARTING_MODELS.get(query.get("start", ""), ("", {}))
        return {"travel": "right", "clock": 0.5, "slip": 0.5, "burst": 1} | numbers

    def named(self, body: Mapping[str, Any]) -> str:
        """What the model is called."""
        return str(body["profile"]["name"])


class ChangeModelForm(ReasonForm, ModelFields):
    """A model that is there, and why it is changed."""

    PLACES: ClassVar[dict[str, str]] = ModelFields.PLACES | ReasonForm.PLACES


def _listed(row: Row) -> str:
    return in_short(MachineProfile.from_json(row["profile"]))


def _facts(row: Row) -> Facts:
    form = ChangeModelForm()
    values = form.initial_of(row)
    for path, field in ModelFields.PLACES.items():
        if field != "name" and values[field] is not None:
            yield form.label_of(path), form.words_of(path, values[field], None)


def _more(caller: Caller, row: Row) -> Mapping[str, Any]:
    profile = MachineProfile.from_json(row["profile"])
    told = ask(caller, "GET", f"profiles/{row['id']}/versions").body["versions"]
    return {
        "follows": in_figures(profile),
        "paces": reckoned(paces, profile, None),
        "drawn": reckoned(drawn, profile, None),
        "machines": Machine.objects.filter(profile_id=row["id"]).order_by("name", "id"),
        "versions": versions_in_words(told, MODELS, row),
    }


MODELS = Subject(
    name="profile",
    plural="profiles",
    title="Models",
    one="A model",
    lead="What a kind of machine is, in numbers. Machines are of a model; what is printed is reckoned by it.",
    model=Profile,
    listed=_listed,
    facts=_facts,
    add=NewModelForm,
    change=ChangeModelForm,
    deeds=retiring("model", "No new machine is of it; those that are go on."),
    add_previews=True,
    template="desk/model.html",
    more=_more,
    seen=lambda rows: [{**row, "name": row["profile"]["name"]} for row in rows],
)
