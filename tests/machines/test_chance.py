"""One source of chance: the operating system's, fair and long enough, and everything that is drawn is drawn of it."""

from __future__ import annotations

import ast
import re
import secrets
import uuid
from collections import Counter
from pathlib import Path

import pytest

from machines.chance import SYSTEM, Chance

ROOT = Path(__file__).resolve().parents[2]
# Draws that follow from a seed which somebody gave: faults and noise of machines that are not there.
SEEDED = {"machines/drivers/chance.py", "machines/drivers/wire_noise.py"}


def from_list(*octets: int) -> Chance:
    left = list(octets)

    def draw(count: int) -> bytes:
        drawn, left[:count] = bytes(left[:count]), []
        return drawn

    return Chance(draw)


def test_in_production_it_is_the_operating_systems() -> None:
    assert Chance(secrets.token_bytes) == SYSTEM
    assert len({SYSTEM.octets(16) for _ in range(1000)}) == 1000


def test_what_is_drawn_has_the_form_of_what_it_is_for() -> None:
    assert from_list(0, 255, 16).in_hex(3) == "00ff10"
    assert from_list(255, 254, 253, 0).in_text(4) == "__79AA"
    assert re.fullmatch(r"[A-Za-z0-9_-]{43}", SYSTEM.in_text(32))
    number = uuid.UUID(from_list(*range(16)).number())
    assert (number.version, number.variant) == (4, uuid.RFC_4122)
    assert str(number) == "00010203-0405-4607-8809-0a0b0c0d0e0f"


def test_letters_are_fair() -> None:
    """Of 256 octets 250 make ten digits 25 times each; the last six would make six of them likelier."""
    assert from_list(*range(250, 256), 3).letters(1, "0123456789") == "3"
    drawn = from_list(*range(256)).letters(250, "0123456789")
    assert set(Counter(drawn).values()) == {25}
    assert from_list(*range(256)).letters(256, "0123456789ABCDEFGHJKMNPQRSTVWXYZ").count("Z") == 8


@pytest.mark.parametrize(("octets", "share"), [([0] * 7, 0.0), ([128, *[0] * 6], 0.5), ([255] * 7, 1.0 - 2.0**-53)])
def test_a_share_is_at_least_none_and_less_than_all(octets: list[int], share: float) -> None:
    assert from_list(*octets).share() == share


def draws(tree: ast.AST) -> set[str]:
    """Names of what a file imports that draws by chance."""
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names} & {"random", "secrets"}
        elif isinstance(node, ast.ImportFrom):
            found |= {node.module or ""} & {"random", "secrets"}
        elif isinstance(node, ast.Attribute):
            found |= {node.attr} & {"uuid1", "uuid4", "urandom", "default_rng", "get_random_string"}
    return found


def test_nothing_else_asks_the_system_for_chance() -> None:
    files = [file for floor in ("machines", "scheduling", "server") for file in (ROOT / floor).rglob("*.py")]
    found = {str(file.relative_to(ROOT)): draws(ast.parse(file.read_text())) for file in files}
    others = {name: drawn for name, drawn in found.items() if drawn and name not in SEEDED | {"machines/chance.py"}}
    assert others == {}
    assert found["machines/chance.py"] == {"secrets"}
