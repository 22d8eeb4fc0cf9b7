"""What was drawn once in a process is not drawn again: a tone follows from the picture and the sheet alone."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import lru_cache
from typing import Any
from unittest.mock import patch

from machines.imaging import pictures

_drawn = lru_cache(maxsize=64)(pictures.draw)


def _copy(picture: pictures.Picture, sky: Any, *measures: Any, **more: Any) -> Any:
    """Whoever gets it may draw on it. A picture that is the same every turn does not ask the sky."""
    return _drawn(picture, sky if picture.changes_with_turn else None, *measures, **more).copy()


@contextmanager
def drawn_once() -> Iterator[None]:
    """Within, the server draws the same picture on the same sheet once."""
    from scheduling.rendering import render, sources

    with patch.object(render, "draw", _copy), patch.object(sources, "draw", _copy):
        yield
