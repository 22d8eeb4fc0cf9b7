"""Pieces of a picture's proof at true dots: where a turn closes, a piece one to one, and its dots."""

from __future__ import annotations

import io

import numpy as np
from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.views.decorators.http import require_safe
from PIL import Image

from machines.errors import InputError
from machines.imaging.proof import encoded
from scheduling.log.models import Profile
from scheduling.queries.names import find
from scheduling.queries.runs import machine_profile
from server.api.in_process import fetch
from server.console.pictures import png_of
from server.desk.busiest import busiest
from server.desk.callers import caller_of
from server.desk.pictures_handed_on import sent

# How long and how high a piece is, mm.
PIECES = {"seam": (30.0, 20.0), "one-to-one": (60.0, 40.0), "dots": (9.0, 6.0)}
MM_PER_INCH, PX_PER_INCH = 25.4, 96
MAGNIFIED = 6
SMALL_PX = 600


def size_px(show: str, profile: str) -> tuple[int, int]:
    """How large a piece is shown on a screen of 96 px to the inch: one to one, its dots larger, its seam a dot a px."""
    model, (wide, high) = machine_profile(profile=profile), PIECES[show]
    wide, high = min(wide, model.mm_per_turn), min(high, model.print_width_mm)
    if show == "seam":
        return round(wide / model.column_pitch_mm), round(high / model.dot_pitch_mm)
    times = PX_PER_INCH / MM_PER_INCH * (MAGNIFIED if show == "dots" else 1)
    return round(wide * times), round(high * times)


@login_required
@require_safe
def piece(request: HttpRequest, id: str, show: str) -> HttpResponseBase:
    """A piece of what the API draws at true dots, on the paper of ``profile``."""
    row = find(Profile, request.GET.get("profile", ""))
    if row is None:
        raise Http404
    try:
        answer = fetch(caller_of(request), "GET", f"sources/{id}/proof.png", {"profile": row.id, "view": "true"})
    except InputError as error:
        return HttpResponse(f"{error}.", status=422, content_type="text/plain; charset=utf-8")
    model = machine_profile(profile=row.id)
    wide, high = PIECES[show]
    size = round(wide / model.column_pitch_mm), round(high / model.dot_pitch_mm)
    with Image.open(io.BytesIO(answer.content)) as whole:
        cut = _cut(whole, size, show == "seam")
        return sent(request, png_of(_from_afar(cut, size_px(show, row.id)) if show == "one-to-one" else cut))


def _busiest(whole: Image.Image, wide: int, high: int) -> tuple[int, int]:
    """Found on a small one."""
    times = max(1, whole.width // SMALL_PX)
    small = np.asarray(whole.convert("L").reduce(times), dtype=np.float32)
    rows, columns = small.shape
    left, top = busiest(small, min(columns, max(1, wide // times)), min(rows, max(1, high // times)))
    return min(left * times, whole.width - wide), min(top * times, whole.height - high)


def _from_afar(cut: Image.Image, size: tuple[int, int]) -> Image.Image:
    """As it looks where single dots are too small to be seen: their light is averaged, not the values of pixels."""
    light = np.asarray(cut.convert("L").resize(size, Image.Resampling.BOX), dtype=np.float32) / 255.0
    return Image.fromarray(np.rint(encoded(light) * 255.0).astype(np.uint8))


def _cut(whole: Image.Image, size: tuple[int, int], at_seam: bool) -> Image.Image:
    """So much from where there is most to see, or from where its two ends meet."""
    wide, high = min(size[0], whole.width), min(size[1], whole.height)
    if not at_seam:
        left, top = _busiest(whole, wide, high)
        return whole.crop((left, top, left + wide, top + high))
    half, top = max(1, wide // 2), (whole.height - high) // 2
    cut = Image.new(whole.mode, (2 * half, high))
    cut.paste(whole.crop((whole.width - half, top, whole.width, top + high)), (0, 0))
    cut.paste(whole.crop((0, top, half, top + high)), (half, 0))
    return cut
