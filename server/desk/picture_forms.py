"""The forms by which a picture is added and changed: its kind's own fields, a file, a method, and a curve."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import PurePath
from typing import Any, BinaryIO, ClassVar, cast, get_args
from urllib.parse import urlencode

from django import forms
from django.core.files.uploadedfile import UploadedFile
from django.http import QueryDict
from django.template.defaultfilters import filesizeformat

from machines.errors import InputError
from machines.imaging.halftone import Method
from machines.imaging.pictures import PICTURE_KINDS, from_json
from scheduling.log.models import Source
from scheduling.queries.names import LONGEST_NAME
from server.api.in_process import Caller, Content, ask
from server.desk.draft_paper import offered_papers, paper_of, scale_in_words
from server.desk.draft_tone import tone_of
from server.desk.order_form import Group, NewForm, OrderForm, ReasonForm, without_zeros
from server.desk.picture_fields import KINDS, Parameter, parameters_of
from server.heavy import Busy

METHODS: dict[str, str] = {
    "blue-noise": "blue noise: even grain, no pattern",
    "diffusion": "diffusion: sharp, its errors handed on",
    "ordered": "ordered: a regular screen",
    "line-art": "line art: ink or none, for lines and lettering",
}
FILES = ".png,.jpg,.jpeg,.tif,.tiff,.geojson,.json"
BY_SUFFIX = {".geojson": "application/geo+json", ".json": "application/geo+json"}
DRAWN_FROM_FILES = {"image": None, "map": "data", "daylight-map": "map_data"}
KEPT_FILE = "kept: {}; choose another to have that instead"
WEDGE_HINT = (
    "what was asked and what came out of the tone wedge, in per cent of ink, a step a line, from 0 0 to 100 100;"
    " its gain is undone"
)


class WedgeField(forms.CharField):
    """The steps of a printed wedge, a line each."""

    widget = forms.Textarea(attrs={"rows": 4, "spellcheck": "false", "placeholder": "0 0\n50 68\n100 100"})

    def clean(self, value: Any) -> Any:
        """Shares of ink as the API has them; None where nothing was measured."""
        said = super().clean(value)
        if not said.strip():
            return None
        try:
            steps = [tuple(float(number) / 100.0 for number in line.split()) for line in said.strip().splitlines()]
        except ValueError:
            raise forms.ValidationError("Give two numbers a line, such as 50 68.") from None
        if any(len(step) != 2 for step in steps):
            raise forms.ValidationError("Give two numbers a line, such as 50 68.")
        return {"asked": [asked for asked, _ in steps], "printed": [printed for _, printed in steps]}


class PictureFields(OrderForm):
    """What is said of a picture, and on which paper it is looked at meanwhile.

    Attributes:
        kind: of the picture; None before one is chosen.
    """

    page_template: ClassVar[str] = "desk/picture_order.html"
    form_template: ClassVar[str] = "desk/_picture_form.html"
    kinds: ClassVar[dict[str, str]] = KINDS
    methods: ClassVar[dict[str, str]] = METHODS
    kind: str | None = None
    PLACES: ClassVar[dict[str, str]] = {"upload": "upload", "method": "method", "curve": "curve"}

    file = forms.FileField(
        required=False, label="Its file", help_text="PNG, JPEG or TIFF for an image, GeoJSON for a map",
        widget=forms.FileInput(attrs={"accept": FILES}),
    )  # fmt: skip
    upload = forms.CharField(required=False, widget=forms.HiddenInput, label="Its file, by its SHA-256")
    upload_said = forms.CharField(required=False, widget=forms.HiddenInput, label="What its file is called")
    method = forms.ChoiceField(choices=tuple(METHODS.items()), label="How its tones become dots", initial="blue-noise")
    curve = WedgeField(required=False, label="What a printed wedge measured", help_text=WEDGE_HINT)
    paper = forms.ChoiceField(required=False, label="Look at it on the paper of")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        said = self.data.get("kind") or self.initial.get("kind")
        self.kind = said if said in PICTURE_KINDS else None
        for one in self.parameters():
            self.fields[one.name] = one.field()
        if self.kind not in DRAWN_FROM_FILES:
            del self.fields["file"]
        elif self.data.get("upload") or self.initial.get("upload"):
            self._say_kept(self.data.get("upload_said") or "the file that was sent")
        else:
            self.fields["file"].required = self.kind == "image"
        self.fields["kind"] = forms.CharField(widget=forms.HiddenInput, initial=self.kind)
        papers = offered_papers()
        paper = self.fields["paper"]
        assert isinstance(paper, forms.ChoiceField)
        paper.choices = [*papers, ("", "any machine, 500 by 250 mm")]
        paper.initial = next((id for id, _ in papers), "")
        self.order_fields(("name", "id", "file", *self.own(), "method", "curve", "reason", "paper"))

    def parameters(self) -> list[Parameter]:
        """Those of its kind."""
        return [] if self.kind is None else parameters_of(self.kind)

    def own(self) -> list[str]:
        """The fields of its kind."""
        return [one.name for one in self.parameters()]

    def places(self) -> Mapping[str, str]:
        """With those of its kind."""
        return {**super().places(), **{f"picture.{one.path}": one.name for one in self.parameters()}}

    def groups(self) -> Sequence[Group]:
        """Its kind's own, part by part; its dots; and its proof."""
        parts: dict[str, list[str]] = {}
        for one in self.parameters():
            parts.setdefault(one.group or "The picture", []).append(one.name)
        own = [Group(title, tuple(names), "pairs") for title, names in parts.items()]
        dots, proof = Group("Its dots", ("method", "curve")), Group("Its proof", ("paper",))
        return [Group("", ("name", "id", "file")), *own, dots, proof]

    def prepare(self, caller: Caller) -> None:
        """Bring a file that was sent to the API, once: from then on the form names it."""
        file = self.cleaned_data.get("file")
        if not isinstance(file, UploadedFile) or file.file is None:
            return
        media_type = BY_SUFFIX.get(PurePath(file.name or "").suffix.lower(), file.content_type or "")
        content = Content(cast("BinaryIO", file.file), file.size or 0, media_type)
        kept = ask(caller, "POST", "uploads", content).body
        self.cleaned_data["upload"] = kept["digest"]
        said = f"{file.name}, {filesizeformat(kept['bytes'])}"
        self._say_kept(said)
        as_drawn = {"upload": kept["digest"], "upload_said": said}
        self.data = {name: self.data[name] for name in self.data} | as_drawn

    def _say_kept(self, said: str) -> None:
        self["file"].help_text, self.fields["file"].required = KEPT_FILE.format(said), False

    def takes_file(self) -> bool:
        """Whether the picture is drawn from a file, as it is said."""
        if self.kind not in DRAWN_FROM_FILES:
            return False
        place = DRAWN_FROM_FILES[self.kind]
        return place is None or self[place].value() == "upload"

    def said(self) -> dict[str, Any]:
        """A picture as the API takes it; a file that it is not drawn from is left out."""
        body = super().said()
        if not self.takes_file():
            body["upload"] = None
        return {**body, "picture": {"kind": self.kind, **body.get("picture", {})}}

    def scale(self) -> str:
        """How much smaller it is drawn."""
        return scale_in_words(self["paper"].value())

    def place_of(self, path: str) -> str | None:
        """What is wrong with a file stands where it is chosen."""
        place = super().place_of(path)
        return "file" if place == "upload" and "file" in self.fields else place

    def trouble(self) -> str:
        """Why it cannot be drawn on that paper as it is said; empty where it can."""
        drawn = PictureFields(QueryDict(self.draft()))
        if not drawn.is_valid():
            return ""
        body = drawn.said()
        try:
            tone_of(from_json(body["picture"]), body["upload"], paper_of(drawn.cleaned_data["paper"]).sheet)
        except InputError as error:
            label = drawn.label_of(f"picture.{error.field}")
            return f"{label}: {error.problem}; {error.remedy}" if error.field else f"{error}"
        except Busy:
            return ""
        return ""

    def draft(self) -> str:
        """The query by which it is drawn as it is said; empty where it cannot be: its file is still to be sent, or
        something is wrong."""
        if self.kind is None or (self.takes_file() and not self["upload"].value()):
            return ""
        if self.is_bound and {"method", "curve", "paper", *self.own()} & set(self.errors):
            return ""
        names = ("kind", "method", "curve", "paper", *self.own(), *(("upload",) if self.takes_file() else ()))
        values = {name: self[name].value() for name in names}
        return urlencode(
            {name: value for name, value in values.items() if value is not False and value not in (None, "")}
        )


class NewPictureForm(NewForm, PictureFields):
    """A new picture."""

    model = Source
    PLACES: ClassVar[dict[str, str]] = PictureFields.PLACES | {"name": "name"}
    REPEATS: ClassVar[bool] = False

    name = forms.CharField(max_length=LONGEST_NAME, label="What it is called")

    @classmethod
    def starting(cls, query: QueryDict) -> dict[str, Any]:
        """Of a kind, where one is chosen."""
        return {"kind": query.get("kind", "")}


class ChangePictureForm(ReasonForm, PictureFields):
    """A picture that is there; of another kind it would be another one."""

    PLACES: ClassVar[dict[str, str]] = PictureFields.PLACES | ReasonForm.PLACES | {"name": "name"}

    name = forms.CharField(max_length=LONGEST_NAME, label="What it is called")

    @classmethod
    def initial_of(cls, row: Mapping[str, Any]) -> dict[str, Any]:
        """As it stands."""
        picture, curve = row["picture"], row["curve"]
        own = {one.name: without_zeros(_found(picture, one.path)) for one in parameters_of(picture["kind"])}
        steps = [] if curve is None else zip(curve["asked"], curve["printed"], strict=True)
        said = "\n".join(f"{100.0 * asked:g} {100.0 * printed:g}" for asked, printed in steps)
        shared = {name: row[name] for name in ("name", "upload", "method")}
        return own | shared | {"kind": picture["kind"], "curve": said}


def _found(picture: Any, path: str) -> Any:
    for name in path.split("."):
        picture = picture[name]
    return picture


assert set(METHODS) == set(get_args(Method)), "each method has its words"
