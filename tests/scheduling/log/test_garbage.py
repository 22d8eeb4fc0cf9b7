"""The collector of cycles waits, and goes on afterwards whatever happened."""

from __future__ import annotations

import gc

import pytest

from scheduling.log.garbage import MANY, held_back


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


@pytest.mark.parametrize(("count", "is_old"), [(MANY * 2, True), (MANY // 2, False)])
def test_very_many_new_things_count_as_old_and_others_as_new(count: int, is_old: bool) -> None:
    gc.collect()
    with held_back():
        made: list[list[object]] = [[] for _ in range(count)]
    assert any(one is made for one in gc.get_objects(generation=2)) is is_old
    assert gc.get_freeze_count() == 0
