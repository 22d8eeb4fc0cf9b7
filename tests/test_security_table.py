"""`SECURITY.md` says of every requirement how it stands, and by which test; and what it names is there."""

from __future__ import annotations

import ast
import re
from collections import Counter
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
STANDS = ("holds", "not held", "does not apply", "the proxy's", "the host's")
SHORTEST = 4
# Judged by reading what is named, where a test would only say it a second time.
READ = "Read: "
NUMBERS = [line for line in (ROOT / "tests/asvs_5_0_0.txt").read_text().splitlines() if not line.startswith("#")]
# OWASP API Security Top 10, 2023 edition.
TOP_TEN = [f"API{number}" for number in range(1, 11)]
TEST = re.compile(r"`(tests/[\w/]+\.py)::(test_\w+)`")


@dataclass(frozen=True)
class Row:
    """A row of a table: which requirements, in a few words what they want, how that stands, and by what."""

    numbers: str
    wants: str
    stands: str
    by: str

    def covers(self, every: list[str]) -> list[str]:
        """The requirements, of a list in order; a range is ``first to last``."""
        first, _, last = self.numbers.partition(" to ")
        assert {first, last or first} <= set(every), f"{self.numbers}: no such requirement"
        return every[every.index(first) : every.index(last or first) + 1]


def rows_of(text: str) -> list[Row]:
    """The rows of all tables whose first column is a number of a requirement, or two with what lies between them."""
    rows = []
    for line in text.splitlines():
        if re.match(r"\| (API)?\d", line):
            cells = [cell.strip() for cell in line.strip().strip("|").split(" | ")]
            assert len(cells) == 4, f"four columns: {line}"
            rows.append(Row(*cells))
    return rows


@cache
def functions_of(file: str) -> set[str]:
    """The names of the functions that a file holds, those of its classes among them; nothing of it is run."""
    return {one.name for one in ast.walk(ast.parse((ROOT / file).read_text())) if isinstance(one, ast.FunctionDef)}


TEXT = (ROOT / "SECURITY.md").read_text()
ROWS = rows_of(TEXT)


def problems_of(row: Row) -> list[str]:
    """What is wrong with a row."""
    named = TEST.findall(row.by)
    found = [
        f"{file} has no {test}" for file, test in named if not (ROOT / file).exists() or test not in functions_of(file)
    ]
    if len(re.findall("::", row.by)) != len(named):
        found.append("a test is not named by file and function")
    if row.stands not in STANDS:
        found.append(f"{row.stands!r} is no word for how it stands")
    if min(len(row.wants), len(row.by)) < SHORTEST:
        found.append("a column says nothing")
    if row.stands == "holds" and not named and not row.by.startswith(READ):
        found.append("it holds by no test and by nothing that was read")
    return found


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.numbers)
def test_a_row_says_how_it_stands_and_names_what_is_there(row: Row) -> None:
    assert problems_of(row) == []


def test_every_requirement_has_one_row() -> None:
    told = Counter(number for row in ROWS if not row.numbers.startswith("API") for number in row.covers(NUMBERS))
    assert told == Counter(NUMBERS)
    assert len(NUMBERS) == 253


def test_every_one_of_the_ten_has_one_row() -> None:
    assert [row.numbers for row in ROWS if row.numbers.startswith("API")] == TOP_TEN


def test_the_sums_are_those_of_the_rows() -> None:
    counted = Counter[str]()
    for row in ROWS:
        if not row.numbers.startswith("API"):
            counted[row.stands] += len(row.covers(NUMBERS))
    said = re.findall(r"(\d+) (holds|not held|does not apply|the proxy's|the host's)\b", TEXT.partition("## V1,")[0])
    assert {word: int(number) for number, word in said} == dict(counted)


@pytest.mark.parametrize(
    ("row", "problem"),
    [
        (Row("1.1.1", "decoded once", "holds", "by good will alone"), "by no test"),
        (Row("1.1.1", "decoded once", "holds", "`tests/test_security_table.py::test_nowhere`"), "has no test_nowhere"),
        (Row("1.1.1", "decoded once", "holds", "`tests/nowhere.py::test_it`"), "has no test_it"),
        (Row("1.1.1", "decoded once", "holds", "Read: it, and tests/nowhere.py::test_it"), "not named by file"),
        (Row("1.1.1", "decoded once", "perhaps", "Read: nothing of it"), "no word for how it stands"),
        (Row("1.1.1", "", "does not apply", "there is no such thing"), "says nothing"),
        (Row("1.1.1", "decoded once", "not held", ""), "says nothing"),
    ],
)
def test_the_judge_can_say_no(row: Row, problem: str) -> None:
    assert any(problem in one for one in problems_of(row))


def test_a_row_out_of_the_list_and_one_with_a_column_too_few_are_found() -> None:
    with pytest.raises(AssertionError, match="no such requirement"):
        Row("1.99.1", "", "", "").covers(NUMBERS)
    with pytest.raises(AssertionError, match="four columns"):
        rows_of("| 1.1.1 | decoded once | holds |")
