"""Pictures of what will lie on the paper, or lies there: thumbnails and proofs as PNG, and how far a seam will show."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar, get_args

from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter
from rest_framework.request import Request
from rest_framework.response import Response

from machines.errors import InputError
from machines.imaging.pictures import Sheet, from_json, seam_visibility, thumbnail_png
from machines.model.profile import Profile as MachineProfile
from machines.serialization import unstructure
from scheduling.log.models import Machine, Profile, Run, Source, Venue
from scheduling.paper.geometry import Geometry, geometry
from scheduling.paper.printed_paper import length_at
from scheduling.paper.printed_proof import paper_proof
from scheduling.paper.proof import SEAM_FAINT, SEAM_SHOWS, proof, require_size, turn_columns, usual_cycle
from scheduling.paper.run_proof import Part, run_proof
from scheduling.queries.calibration import calibrated_profile, machine_calibration
from scheduling.queries.closed_away import still_there
from scheduling.queries.run_versions import run_profile
from scheduling.queries.runs import machine_of, machine_profile, venue_place
from scheduling.rendering.render import draw_tone
from scheduling.rendering.sky_parameters import sky_numbers, turn_at
from scheduling.rendering.sources import render_source
from scheduling.sky import cycles
from scheduling.sky.zones import zone
from scheduling.venues.local_time_text import instant_at_machine
from server import wiring
from server.api.base_views import ApiView
from server.api.queries import cycle_asked, faults_asked, instant_asked, named, one_of, profile_asked, view_asked
from server.heavy import ANSWERS, in_turn

PNG: dict[Any, Any] = {(200, "image/png"): OpenApiTypes.BINARY}
# A thumbnail without a profile: paper large enough for most pictures.
USUAL_SHEET = Sheet(columns=480, rows=240, width_mm=500.0, height_mm=250.0)
AT = OpenApiParameter("at", OpenApiTypes.DATETIME, description="The instant; now where not given.")
LAST_METRE_MM = 1000.0
FAULTS = ("dead", "slip")
PARTS: tuple[Part, ...] = get_args(Part)


@dataclass(frozen=True, kw_only=True)
class Seam:
    """How far the closing of a turn will show.

    Attributes:
        visibility: 0 not at all, 1 as an edge between blank paper and solid ink.
        in_words: what to make of it.
    """

    visibility: float
    in_words: str


def png_response(png: bytes) -> HttpResponse:
    """A PNG that is another one tomorrow."""
    return HttpResponse(png, content_type="image/png", headers={"Cache-Control": "private, no-cache"})


def _drawn_from(source: Source) -> tuple[str, int]:
    """What is drawn of a source is the same for the same version of it."""
    return source.id, source.version


class SourceThumbnail(ApiView):
    """A small view of a source."""

    parameters = ("profile", "cycle", "at", "venue")
    described: ClassVar = {"at": AT}
    shows: ClassVar = PNG

    def get(self, request: Request, pk: str) -> HttpResponse:
        """One turn as a visitor sees it, 480 pixels wide, without dots: on the paper of ``profile``, or on 500 by
        250 mm."""
        source = get_object_or_404(Source, pk=pk)
        picture, venue = from_json(source.picture), named(request, "venue", Venue)
        turn = turn_at(cycle_asked(request, usual_cycle(picture)), instant_asked(request))
        place = None if venue is None else venue_place(venue=venue.id)
        sheet = USUAL_SHEET
        if (row := named(request, "profile", Profile)) is not None:
            profile = machine_profile(profile=row.id)
            sheet = Sheet(
                columns=profile.columns_per_turn,
                rows=profile.dots_across,
                width_mm=profile.mm_per_turn,
                height_mm=profile.print_width_mm,
                travel=profile.travel,
            )

        def made() -> bytes:
            upload = render_source(source, wiring.uploads()).upload
            return thumbnail_png(picture, sky_numbers(picture, turn, place), sheet, upload=upload)

        of_turn = (turn, place) if picture.changes_with_turn else None
        return png_response(ANSWERS.get(("thumbnail", picture, source.upload, sheet, of_turn), made))


class SourceProof(ApiView):
    """What one turn of a source looks like on a model of machine."""

    parameters = ("profile", "cycle", "at", "venue", "view", *FAULTS)
    described: ClassVar = {"at": AT}
    shows: ClassVar = PNG

    def get(self, request: Request, pk: str) -> HttpResponse:
        """The turn that holds the instant, in the civil time and under the sky of ``venue``."""
        source = get_object_or_404(Source, pk=pk)
        original, profile = render_source(source, wiring.uploads()), profile_asked(request)
        venue, view = named(request, "venue", Venue), view_asked(request)
        cycle = cycle_asked(request, usual_cycle(original.picture))
        number = int(cycle.turns([instant_asked(request).timestamp()])[0] // 1)
        faults, place = faults_asked(request), None if venue is None else venue_place(venue=venue.id)
        civil = None if venue is None else zone(venue.zone)

        def made() -> bytes:
            columns = turn_columns(profile, number)
            return proof(original, profile, cycle, columns, faults=faults, place=place, zone=civil).png(view)

        of_turn = (cycle.name, number, place, civil)
        return png_response(ANSWERS.get(("proof", _drawn_from(source), profile, of_turn, faults, view), made))


class SourceSeam(ApiView):
    """How far the seam of a source will show on a model of machine."""

    parameters = ("profile",)
    shows = Seam

    def get(self, request: Request, pk: str) -> Response:
        """Where a turn closes on itself, against what changes from column to column elsewhere."""
        source = get_object_or_404(Source, pk=pk)
        original, profile = render_source(source, wiring.uploads()), profile_asked(request)
        require_size(profile, profile.columns_per_turn)
        turn = turn_at(cycles.get(usual_cycle(original.picture)), wiring.now())
        of_turn = turn if original.picture.changes_with_turn else None

        def made() -> bytes:
            return repr(seam_visibility(draw_tone(original, profile, turn, None))).encode()

        visibility = float(ANSWERS.get(("seam", _drawn_from(source), profile, of_turn), made))
        return Response(unstructure(Seam(visibility=visibility, in_words=seam_in_words(visibility))))


def seam_in_words(visibility: float) -> str:
    """What to make of a seam."""
    if visibility < SEAM_FAINT:
        return "no seam to be seen"
    if visibility < SEAM_SHOWS:
        return "a faint seam; blend it shut where the picture is flat there"
    return "a seam that shows; blend it shut with blend_mm"


class RunProof(ApiView):
    """What a run will print."""

    parameters = ("part", "at", "view", *FAULTS)
    described: ClassVar = {
        "part": OpenApiParameter("part", str, enum=["turn", "metre"], description="One turn if not given."),
        "at": OpenApiParameter(
            "at", OpenApiTypes.DATETIME, description="An instant of the turn; if not given the first."
        ),
    }
    shows: ClassVar = PNG

    def get(self, request: Request, pk: str) -> HttpResponse:
        """Of one turn what the run holds, or its first metre: its own cycle, nozzles, strips, sky and civil time."""
        run = get_object_or_404(Run, pk=pk)
        part = one_of("part", request.query_params.get("part", "turn"), PARTS, "cannot be shown")
        at = instant_asked(request) if "at" in request.query_params else None
        view, faults = view_asked(request), faults_asked(request)
        return png_response(in_turn(lambda: run_proof(run, part, faults, wiring.uploads(), at).png(view))())


class RunGeometry(ApiView):
    """How a run lies on the paper."""

    shows = Geometry

    def get(self, request: Request, pk: str) -> Response:
        """Pitches, scale, what is laid in one go, and where rounding falls."""
        run = get_object_or_404(Run, pk=pk)
        machine = machine_of(run)
        profile = machine_calibration(machine).applied_to(run_profile(run, machine))
        return Response(unstructure(geometry(profile, run.mean_turn_s)))


class MachineProof(ApiView):
    """What hangs at a machine, as it was printed."""

    parameters = ("at", "show", "view", *FAULTS)
    described: ClassVar = {"at": AT}
    shows: ClassVar = PNG

    def get(self, request: Request, pk: str) -> HttpResponse:
        """What hung between head and knife at an instant, or the last metre; blank where nothing was printed."""
        machine = get_object_or_404(Machine, pk=pk)
        profile, at, view = calibrated_profile(machine), instant_asked(request), view_asked(request)
        faults = faults_asked(request).on(profile)
        length = length_at(machine, at, _columns(request, profile))
        if length is None:
            raise Http404(f"Nothing had been printed on {machine.id} at {instant_at_machine(at, machine.id)}.")
        civil = zone(still_there(Venue, "venue", machine.venue_id).zone)
        return png_response(in_turn(lambda: paper_proof(length, wiring.plates(), faults, civil).png(view))())


def _columns(request: Request, profile: MachineProfile) -> int:
    """How many columns of paper are asked for."""
    usual = "hanging" if profile.knife_columns else "last-metre"
    show = request.query_params.get("show", usual)
    if show == "last-metre":
        return max(1, round(LAST_METRE_MM / profile.column_pitch_mm))
    if show != "hanging":
        raise InputError("show", f"{show!r} cannot be shown", "give one of: hanging, last-metre")
    if not profile.knife_columns:
        raise InputError("show", "nothing hangs between head and knife of this machine", "give last-metre")
    return profile.knife_columns
