"""A picture as it is being said in a form: drawn small, so that it is there at once, before anything is kept."""

from __future__ import annotations

import numpy as np
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.views.decorators.http import require_safe
from numpy.typing import NDArray
from PIL import Image

from machines.errors import InputError
from machines.imaging.dot_gain import ToneCurve
from machines.imaging.halftone import Method, to_dots
from machines.imaging.pictures import from_json
from machines.imaging.proof import encoded
from machines.serialization import structure
from server.console.pictures import png_of
from server.desk.busiest import busiest
from server.desk.draft_paper import Paper, paper_of
from server.desk.draft_tone import tone_of
from server.desk.picture_forms import PictureFields
from server.desk.pictures_handed_on import sent

# A piece of it at true dots, as long and as high, mm.
PIECE_MM, PIECE_HIGH_MM = 10.0, 7.0
# Of a turn so much on either side of where it closes.
SEAM_SHARE = 6


@login_required
@require_safe
def draft(request: HttpRequest) -> HttpResponseBase:
    """The whole turn, where it closes, or a piece of its dots, as the query ``show`` says: of a picture in a form."""
    form = PictureFields(request.GET)
    if form.kind is None or not form.is_valid():
        return _refused("There is something in the form that cannot be drawn.")
    try:
        method = structure(request.GET.get("as", form.cleaned_data["method"]), Method)
        return sent(request, _drawn(form, request.GET.get("show", "turn"), method))
    except InputError as error:
        return _refused(f"{error}.")


def _refused(said: str) -> HttpResponse:
    return HttpResponse(said, status=422, content_type="text/plain; charset=utf-8")


def _drawn(form: PictureFields, show: str, method: Method) -> bytes:
    body, paper = form.said(), paper_of(form.cleaned_data["paper"] or None)
    seen = tone_of(from_json(body["picture"]), body["upload"], paper.sheet)
    if show == "dots":
        curve = structure(body["curve"], ToneCurve | None)
        return png_of(Image.fromarray(~_dots(seen, paper, method, curve)))
    if show == "seam":
        part = max(1, seen.shape[1] // SEAM_SHARE)
        seen = np.concatenate((seen[:, -part:], seen[:, :part]), axis=1)
    return png_of(Image.fromarray(np.rint(encoded(1.0 - seen) * 255).astype(np.uint8)))


def _dots(seen: NDArray[np.float32], paper: Paper, method: Method, curve: ToneCurve | None) -> NDArray[np.bool_]:
    """The busiest piece at true dots, of the tones as they are drawn small."""
    sheet = paper.sheet
    wide, high = min(PIECE_MM, sheet.width_mm), min(PIECE_HIGH_MM, sheet.height_mm)
    across = max(1, round(wide / sheet.width_mm * sheet.columns)), max(1, round(high / sheet.height_mm * sheet.rows))
    left, top = busiest(seen, *across)
    size = max(1, round(wide / paper.column_mm)), max(1, round(high / paper.dot_mm))
    box = (left, top, left + across[0], top + across[1])
    piece = Image.fromarray(seen).resize(size, Image.Resampling.BILINEAR, box=box)
    return to_dots(np.clip(np.asarray(piece, dtype=np.float32), 0.0, 1.0), method, curve)
