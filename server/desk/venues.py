"""Venues on the pages: where each is, by which clock, and what hangs on that."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, ClassVar

from django import forms
from django.http import QueryDict

from scheduling.commands.contacts import change_contacts
from scheduling.log.models import Machine, Venue
from scheduling.queries.names import LONGEST_NAME
from scheduling.sky.near_zones import zones_near
from scheduling.sky.zones import zone, zone_names
from server.accounts.roles import roles_for
from server.console import formatting
from server.console.contact_words import whom_to_ring
from server.console.world_map import HEIGHT, NORTH, SOUTH, WIDTH, land_path
from server.desk.order_form import NewForm, OrderForm, ReasonForm
from server.desk.subjects import Facts, Row, Subject, retiring


@dataclass(frozen=True)
class FormMap:
    """The map of the world as a form shows it: units of the drawing, and which latitudes are at its edges."""

    width: int = WIDTH
    height: int = HEIGHT
    north: float = NORTH
    south: float = SOUTH

    @property
    def land(self) -> str:
        """Its land as a path in halves of a unit."""
        return land_path()


class VenueFields(OrderForm):
    """What is said of a venue."""

    PLACES: ClassVar[dict[str, str]] = {
        "name": "name",
        "latitude_degrees": "latitude",
        "longitude_degrees": "longitude",
        "elevation_m": "elevation",
        "zone": "zone",
    }

    page_template: ClassVar[str] = "desk/venue_order.html"

    name = forms.CharField(max_length=LONGEST_NAME, label="What it is called")
    latitude = forms.FloatField(
        min_value=-90.0, max_value=90.0, label="Latitude, degrees", help_text="south of the equator below 0"
    )
    longitude = forms.FloatField(
        min_value=-180.0, max_value=180.0, label="Longitude, degrees", help_text="west of Greenwich below 0"
    )
    elevation = forms.FloatField(required=False, label="Above the sea, metres", help_text="0 where it is left empty")
    zone = forms.ChoiceField(
        required=False, label="Its clock", help_text="the IANA time zone; leave it open, and those nearby are named"
    )
    ASKED: ClassVar[frozenset[str]] = frozenset({"zone"})

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._offer(())

    def map(self) -> FormMap:
        """The world, to press where it stands."""
        return FormMap()

    def clean(self) -> dict[str, Any]:
        """Where no clock was chosen, the one that is named after the nearest place is, for whoever says yes to it."""
        cleaned = super().clean() or {}
        if cleaned.get("zone") or "zone" in self.errors:
            return cleaned
        if (latitude := cleaned.get("latitude")) is None or (longitude := cleaned.get("longitude")) is None:
            self.add_error("zone", "Choose one, or say where it is first.")
            return cleaned
        near = zones_near(latitude, longitude)
        self._offer([one.name for one in near])
        assert isinstance(self.data, QueryDict)
        proposed = self.data.copy()
        proposed["zone"] = near[0].name
        self.data = proposed
        told = ", ".join(f"{one.name} ({one.km:,.0f} km)" for one in near)
        chosen = f"{near[0].name} is chosen now; look whether it is right."
        self.add_error("zone", f"{chosen} Zones are named after these places near there: {told}.")
        return cleaned

    def _offer(self, first: Sequence[str]) -> None:
        names = [*first, *sorted(zone_names() - {*first})]
        field = self.fields["zone"]
        assert isinstance(field, forms.ChoiceField)
        field.choices = [("", "choose one"), *((name, name) for name in names)]


class NewVenueForm(NewForm, VenueFields):
    """A new venue."""

    model = Venue


class ChangeVenueForm(ReasonForm, VenueFields):
    """A venue that is there, and why it is changed."""

    PLACES: ClassVar[dict[str, str]] = VenueFields.PLACES | ReasonForm.PLACES


def _facts(row: Row) -> Facts:
    yield "Latitude", f"{row['latitude_degrees']:.4f}°"
    yield "Longitude", f"{row['longitude_degrees']:.4f}°, {formatting.longitude(row['longitude_degrees'])}"
    yield "Above the sea", f"{row['elevation_m']:.0f} m"
    yield "Clock", row["zone"]


def _links(caller: Any, row: Row) -> dict[str, Any]:
    pages = (
        ("today", "Today's sheet"),
        ("hours", "Hours"),
        ("quiet-hours", "Quiet hours"),
        ("windows", "Service windows"),
    )
    standing = caller.holder.standing
    theirs = standing.venues is None or row["id"] in standing.venues
    return {
        "links": pages,
        "contacts": whom_to_ring(row["id"]),
        "may_say_contacts": theirs and standing.role in roles_for(change_contacts),
        "machines": Machine.objects.filter(venue_id=row["id"], retired_at=None).order_by("name", "id"),
    }


VENUES = Subject(
    name="venue",
    plural="venues",
    title="Venues",
    one="A venue",
    lead="Where machines stand: its place names the sky there, its clock the hours that people keep.",
    model=Venue,
    listed=lambda row: row["zone"],
    facts=_facts,
    clock=lambda row: zone(row["zone"]),
    add=NewVenueForm,
    change=ChangeVenueForm,
    deeds=retiring("venue", "It is used no more: pages do not show it, and nothing new is fixed there."),
    add_previews=True,
    template="desk/venue.html",
    more=_links,
)
