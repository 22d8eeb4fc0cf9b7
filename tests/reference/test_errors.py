"""The collecting of errors and the writing of their table."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.reference.errors import BEGIN, END, Errors, markdown, replace_table


def test_sizes_are_noted_and_the_largest_returned() -> None:
    errors = Errors()
    assert errors.note("sunrise", "a table", "s", [-3.0, 1.0, 2.0]) == 3.0
    (noted,) = errors.noted
    assert (noted.count, noted.mean, noted.median, noted.largest) == (3, 2.0, 2.0, 3.0)


@pytest.mark.parametrize("differences", [[], [1.0, np.nan], [np.inf]])
def test_nothing_compared_is_no_success(differences: list[float]) -> None:
    with pytest.raises(AssertionError):
        Errors().note("sunrise", "a table", "s", differences)


def test_checks_of_one_quantity_by_one_judge_are_one_line() -> None:
    errors = Errors()
    assert errors.note("sunrise", "a table", "s", [4.0]) == 4.0
    assert errors.note("sunrise", "a table", "s", [1.0, 1.0]) == 1.0
    errors.note("sunrise", "a book", "s", [9.0])
    assert [(noted.judge, noted.count, noted.largest) for noted in errors.noted] == [
        ("a table", 3, 4.0),
        ("a book", 1, 9.0),
    ]


def test_the_table() -> None:
    errors = Errors()
    errors.note("sunrise", "a table", "s", [0.123456, 0.0])
    errors.note("perihelion", "a book", "s", [1234.5])
    assert markdown(errors.noted).splitlines() == [
        "| quantity | judged by | checks | mean | median | largest | unit |",
        "|---|---|--:|--:|--:|--:|---|",
        "| sunrise | a table | 2 | 0.062 | 0.062 | 0.12 | s |",
        "| perihelion | a book | 1 | 1234 | 1234 | 1234 | s |",
    ]


def test_the_table_takes_its_place_between_the_markers(tmp_path: Path) -> None:
    path = tmp_path / "ACCURACY.md"
    path.write_text(f"# Before\n\n{BEGIN}\nold\n{END}\n\nAfter.\n", encoding="utf-8")
    for table in ("| one |", "| two |\n| three |"):
        replace_table(path, table)
        assert path.read_text(encoding="utf-8") == f"# Before\n\n{BEGIN}\n{table}\n{END}\n\nAfter.\n"


@pytest.mark.parametrize("text", ["", BEGIN, END, f"{END}\n{BEGIN}", f"{BEGIN}{END}{BEGIN}{END}"])
def test_a_file_without_the_markers_is_left_alone(tmp_path: Path, text: str) -> None:
    path = tmp_path / "ACCURACY.md"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ValueError, match="sky-errors:begin"):
        replace_table(path, "| one |")
    assert path.read_text(encoding="utf-8") == text
