"""A source with its file: checked when it is added, tried on a machine before a run is planned, read to be drawn."""

from __future__ import annotations

from machines.errors import InputError
from machines.imaging.dot_gain import ToneCurve
from machines.imaging.halftone import Method
from machines.imaging.pictures import Picture, draw, from_json
from machines.model.profile import Profile
from machines.serialization import structure
from scheduling.log.models import Source
from scheduling.rendering.render import RenderSource, needs_upload
from scheduling.rendering.sky_parameters import Turn, sky_numbers
from scheduling.rendering.upload_store import UploadStore
from scheduling.sky.places import Place

_TRIAL_COLUMNS = 240


def check_upload(picture: Picture, digest: str | None, uploads: UploadStore | None) -> None:
    """See that a picture can be drawn from the file that is named with it.

    Args:
        picture: its parameters.
        digest: of the file; None for none.
        uploads: where files lie; None where there are none.

    Raises:
        InputError: whose field begins with ``upload``.
    """
    if digest is not None and not needs_upload(picture):
        raise InputError("upload", "this picture is drawn from no file", "leave it out")
    content = None if digest is None else read_upload(digest, uploads)
    try:
        picture.check_upload(content)
    except InputError as error:
        # A picture within a picture says "map.upload"; here the file stands beside both.
        raise InputError(error.field.removeprefix("map."), error.problem, error.remedy) from error


def read_upload(digest: str, uploads: UploadStore | None) -> bytes:
    """An uploaded file.

    Raises:
        InputError: it is not there.
    """
    try:
        if uploads is None:
            raise KeyError(digest)
        return uploads.get(digest)
    except KeyError:
        remedy = "upload the file first and give the digest of the answer"
        raise InputError("upload", f"there is no file {digest!r}", remedy) from None


def render_source(source: Source, uploads: UploadStore | None) -> RenderSource:
    """A source, ready to be drawn.

    Raises:
        InputError: its file is gone.
    """
    return RenderSource(
        picture=from_json(source.picture),
        upload=None if source.upload is None else read_upload(source.upload, uploads),
        method=structure(source.method, Method),
        curve=None if source.curve is None else structure(source.curve, ToneCurve),
    )


def require_fits(original: RenderSource, profile: Profile, turn: Turn, place: Place) -> None:
    """See that a picture fits the paper of a machine, by drawing it coarsely at its true measures.

    Raises:
        InputError: names the parameter of the picture that does not fit.
    """
    columns = min(_TRIAL_COLUMNS, profile.columns_per_turn)
    rows = max(1, round(columns * profile.print_width_mm / profile.mm_per_turn))
    draw(
        original.picture,
        sky_numbers(original.picture, turn, place),
        columns,
        min(rows, profile.dots_across),
        profile.mm_per_turn,
        profile.print_width_mm,
        travel=profile.travel,
        upload=original.upload,
    )
