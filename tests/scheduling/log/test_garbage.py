"""The collector of cycles waits, and goes on afterwards whatever happened."""

from __future__ import annotations

import gc
from concurrent.futures import ThreadPoolExecutor
from threading import Event

import pytest

from scheduling.log.garbage import held_back

PATIENCE_S = 30.0


def test_it_waits_for_as_long_as_the_block_lasts() -> None:
    assert gc.isenabled()
    with held_back():
        assert not gc.isenabled()
        with held_back():
            assert not gc.isenabled()
        assert not gc.isenabled()
    assert gc.isenabled()


def test_it_goes_on_after_an_error() -> None:
    with pytest.raises(ZeroDivisionError), held_back():
        raise ZeroDivisionError
    assert gc.isenabled()


def test_what_was_switched_off_before_stays_off() -> None:
    gc.disable()
    try:
        with held_back():
            pass
        assert not gc.isenabled()
    finally:
        gc.enable()


@pytest.mark.parametrize("ends", [(0, 1), (1, 0)], ids=["in-order", "crossed"])
def test_two_threads_leave_it_going_whichever_ends_first(ends: tuple[int, int]) -> None:
    may_end = [Event(), Event()]

    def fold(index: int, is_in: Event) -> None:
        with held_back():
            is_in.set()
            assert may_end[index].wait(PATIENCE_S)

    with ThreadPoolExecutor(2) as threads:
        folding = []
        for index in range(2):
            is_in = Event()
            folding.append(threads.submit(fold, index, is_in))
            assert is_in.wait(PATIENCE_S)
        assert not gc.isenabled()
        for index in ends:
            may_end[index].set()
            folding[index].result(PATIENCE_S)
    assert gc.isenabled()
