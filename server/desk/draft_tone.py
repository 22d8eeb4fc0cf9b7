"""The tones of a picture as it is being said in a form, small: drawn once for all that is shown of it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from machines.imaging.pictures import Picture, Sheet
from scheduling.paper.proof import usual_cycle
from scheduling.rendering.render import needs_upload
from scheduling.rendering.sky_parameters import Turn, sky_numbers, turn_at
from scheduling.rendering.sources import read_upload
from scheduling.sky import cycles
from server import wiring
from server.heavy import ANSWERS


def tone_of(picture: Picture, upload: str | None, sheet: Sheet) -> NDArray[np.float32]:
    """One turn as a visitor sees it, with this instant's sky.

    Raises:
        InputError: it does not fit the paper, or its file is none that it can be drawn from.
        Busy: it has to be drawn, and too much is being drawn.
    """
    turn = turn_at(cycles.get(usual_cycle(picture)), wiring.now())

    def made() -> bytes:
        return _drawn_tone(picture, upload, sheet, turn).tobytes()

    of_turn = turn if picture.changes_with_turn else None
    content = ANSWERS.get(("draft", picture, upload, sheet, of_turn), made)
    tone = np.frombuffer(content, dtype=np.float16).reshape(sheet.rows, sheet.columns).astype(np.float32)
    return tone[:, ::-1] if sheet.travel == "right" else tone


def _drawn_tone(picture: Picture, upload: str | None, sheet: Sheet, turn: Turn) -> NDArray[np.float16]:
    content = read_upload(upload or "", wiring.uploads()) if needs_upload(picture) else None
    return picture.draw(sky_numbers(picture, turn, None), sheet, content).astype(np.float16)
