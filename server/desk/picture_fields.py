"""The fields of each kind of picture: made of its own parameters, with what people call them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import MISSING, dataclass, fields, is_dataclass
from typing import Any, Literal, get_args, get_origin, get_type_hints

from django import forms

from machines.imaging.pictures import PICTURE_KINDS, as_json
from server.desk.order_form import without_zeros

KINDS = {
    "image": "an image of your own",
    "map": "a map",
    "daylight-map": "a map with day and night over it",
    "stars": "the stars",
    "moon": "the Moon",
    "year-of-daylight": "a place's year of daylight",
}
# What people call a parameter, and what it is in.
LABELS = {
    "data": "Land",
    "projection": "Projection",
    "standard_parallel_degrees": "Parallel without distortion, degrees",
    "south_degrees": "South edge, degrees",
    "north_degrees": "North edge, degrees",
    "fit": "How it fits the paper",
    "central_meridian_degrees": "Meridian in the middle of the turn, degrees",
    "style": "Land is shown as",
    "ink": "Ink, 0 to 1",
    "line_mm": "Width of lines, mm",
    "line_ink": "Ink of lines, 0 to 1",
    "hatching_mm": "Between lines of hatching, mm",
    "graticule_degrees": "Between meridians of a net, degrees",
    "graticule_ink": "Ink of the net, 0 to 1",
    "faintest_magnitude": "Faintest stars, magnitude",
    "magnitude_0_mm": "A star of magnitude 0, mm across",
    "ratio_per_magnitude": "A star over one that is a magnitude brighter",
    "smallest_mm": "Smallest star, mm across",
    "ecliptic": "Draw the Sun's yearly path",
    "moon_path": "Draw the Moon's path of the turn",
    "diameter_mm": "The Moon, mm across",
    "discs": "Moons in a turn",
    "lit_ink": "Ink of its lit part, 0 to 1",
    "dark_ink": "Ink of its dark part, 0 to 1",
    "sky_ink": "Ink of the sky around it, 0 to 1",
    "caption_mm": "Height of a line that tells its age, mm",
    "latitude_degrees": "Latitude of the place, degrees",
    "day_ink": "Ink of the day, 0 to 1",
    "civil_ink": "Ink of civil twilight, 0 to 1",
    "nautical_ink": "Ink of nautical twilight, 0 to 1",
    "astronomical_ink": "Ink of astronomical twilight, 0 to 1",
    "night_ink": "Ink of the night, 0 to 1",
    "mirror": "Left and right exchanged",
    "negative": "Light and dark exchanged",
    "blend_mm": "Blend the seam shut over, mm",
}
HINTS = {
    "central_meridian_degrees": "only 0 keeps a map under the Sun",
    "graticule_degrees": "0 for none",
    "caption_mm": "0 for none",
    "ratio_per_magnitude": "0.631: area goes with brightness",
    "blend_mm": "0 leaves the two ends as they are",
}
CHOICES = {
    "land-50m": "the land that comes with the product, fine",
    "land-110m": "the land that comes with the product, coarse",
    "upload": "a GeoJSON file of your own",
    "true": "in its own proportions",
    "stretch": "stretched to the paper",
    "turn": "as long as the turn, in its own proportions",
    "height": "as high as the paper, in its own proportions",
    "fill": "filled",
    "outline": "its outline",
    "hatching": "hatched",
}
GROUPS = {"map": "The map", "twilights": "Light and dark"}


@dataclass(frozen=True)
class Parameter:
    """A parameter of a kind of picture.

    Attributes:
        path: within the picture, such as ``map.ink``.
        group: what it is about, where a picture has parts; empty for the picture itself.
        kind: what its values are.
        usual: what it is where nobody says anything.
    """

    path: str
    group: str
    kind: Any
    usual: Any

    @property
    def name(self) -> str:
        """Of its field in a form."""
        return self.path.replace(".", "_")

    @property
    def label(self) -> str:
        """What people call it."""
        return LABELS[self.path.rpartition(".")[2]]

    def field(self) -> forms.Field:
        """That asks for it."""
        field = self._made()
        field.label, field.initial = self.label, without_zeros(self.usual)
        field.help_text = HINTS.get(self.path.rpartition(".")[2], "")
        return field

    def _made(self) -> forms.Field:
        if get_origin(self.kind) is Literal:
            choices = [(value, CHOICES.get(value, value.replace("-", " "))) for value in get_args(self.kind)]
            return forms.ChoiceField(choices=choices)
        if self.kind is bool:
            return forms.BooleanField(required=False)
        return forms.IntegerField() if self.kind is int else forms.FloatField()


def parameters_of(kind: str) -> list[Parameter]:
    """Those of a kind of picture, in its own order."""
    return list(_parameters(PICTURE_KINDS[kind], as_json(PICTURE_KINDS[kind]()), "", ""))


def _parameters(made: type[Any], usual: dict[str, Any], within: str, group: str) -> Iterator[Parameter]:
    hints = get_type_hints(made)
    for one in fields(made):
        assert one.default is not MISSING or one.default_factory is not MISSING, "each picture has defaults"
        if one.name == "kind":
            continue
        path, kind = f"{within}{one.name}", hints[one.name]
        if is_dataclass(kind) and isinstance(kind, type):
            yield from _parameters(kind, usual[one.name], f"{path}.", GROUPS[one.name])
        else:
            yield Parameter(path, group, kind, usual[one.name])
