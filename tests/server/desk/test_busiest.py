"""Where there is most to see on a picture."""

from __future__ import annotations

import numpy as np

from server.desk.busiest import busiest


def test_the_piece_is_found_whose_tones_differ_most() -> None:
    tone = np.zeros((120, 480), np.float32)
    tone[80:, 400:] = 1.0
    left, top = busiest(tone, 40, 20)
    piece = tone[top : top + 20, left : left + 40]
    assert 0.2 < piece.mean() < 0.8


def test_where_all_is_alike_it_is_the_middle() -> None:
    assert busiest(np.full((120, 480), 0.5, np.float32), 40, 20) == (220, 50)


def test_all_of_a_picture_is_a_piece_of_it() -> None:
    assert busiest(np.eye(8, dtype=np.float32), 8, 8) == (0, 0)
