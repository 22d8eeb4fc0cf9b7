"""What the papers say of files is so: each file that they name is there, and tests lie as the rooms do."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PAPERS = ("README.md", "DEVELOPERS.md", "SECURITY.md", "machines/drivers/PROTOCOL.md", "machines/data/README.md")
NAMED = re.compile(
    r"`((?:[\w.-]+/)*[\w-]+\.(?:py|md|html|css|json|csv|yaml|service|Dockerfile)|(?:[\w.-]+/)+[\w-]*)(?:::\w+)?`"
)
FLOORS = ("machines", "scheduling", "server")
# What is there only when somebody made it, lies on a board, or is part of an address.
ELSEWHERE = re.compile(r"var/|node/|machines/\{|venues/|application/|image/|n/m")


def lost(text: str, own: Path = ROOT) -> list[str]:
    """Files and folders that a paper names and that are not there. A bare name stands in the paper's own folder, or in
    one that its paragraph or row has named before."""
    found = []
    for block in re.split(r"\n(?=\n|\||- |\d\. )", text):
        folders = [ROOT, own]
        for name in NAMED.findall(block):
            there = [folder / name for folder in folders if (folder / name).exists()]
            if there:
                folders.append(there[-1] if there[-1].is_dir() else there[-1].parent)
            elif not ELSEWHERE.match(name):
                found.append(name)
    return found


@pytest.mark.parametrize("paper", PAPERS)
def test_files_that_a_paper_names_are_there(paper: str) -> None:
    assert lost((ROOT / paper).read_text(), (ROOT / paper).parent) == []


def test_a_file_that_is_gone_is_seen() -> None:
    text = "Read `server/wiring.py` and `jobs.py`, `gone.py` and `server/gone/`.\n\n`jobs.py` alone"
    assert lost(text) == ["gone.py", "server/gone/", "jobs.py"]


def test_tests_lie_in_a_folder_of_the_same_name_as_what_they_test() -> None:
    tests = ROOT / "tests"
    files = [file for floor in FLOORS for file in (tests / floor).rglob("test_*.py")]
    folders = {file.parent.relative_to(tests) for file in files}
    assert len(folders) > 40, "or this looks for nothing"
    assert sorted(str(folder) for folder in folders if not (ROOT / folder).is_dir()) == []
