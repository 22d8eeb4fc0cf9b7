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
# Draws that follow from a seed which somebody gave: faults and noise of machines that are not there, and seasons that
# are rehearsed.
SEEDED = {
    "machines/drivers/simulated/random_faults.py",
    "machines/drivers/emulated/wire_noise.py",
    "scheduling/rehearsal/incidents.py",
}

# Where a process or a command is put together; and what is made apart from that, see `machines.chance`.
TAKES_IT = {
    "machines/node/__main__.py",
    "machines/node/agent.py",
    "machines/node/cli_manual.py",
    "server/wiring.py",
    "machines/drivers/serial/transport.py",
    "server/secret.py",
    "server/demo/server_parts.py",  # a name for a database, by which nothing is judged
    "scheduling/log/rebuilding/standing_tables.py",  # a name for tables that a rebuild lays beside the others
}
DRAWING = {
    *("random", "secrets", "urandom", "getrandom", "SystemRandom", "default_rng", "uuid1", "uuid4"),
    *("get_random_string", "get_random_secret_key"),
}


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
    """Names of what a file imports or takes that draws by chance."""
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {part for alias in node.names for part in alias.name.split(".")}
        elif isinstance(node, ast.ImportFrom):
            found |= {*(node.module or "").split("."), *(alias.name for alias in node.names)}
        elif isinstance(node, ast.Attribute):
            found.add(node.attr)
    return found & DRAWING


def sources() -> dict[str, ast.AST]:
    files = [file for floor in ("machines", "scheduling", "server") for file in (ROOT / floor).rglob("*.py")]
    return {str(file.relative_to(ROOT)): ast.parse(file.read_text()) for file in files}


@pytest.mark.parametrize(
    "source",
    [
        "import random",
        "import numpy.random as dice",
        "import numpy as np\nnp.random.rand()",
        "from numpy import random",
        "from numpy.random import default_rng as rng",
        "from random import SystemRandom",
        "import secrets as s",
        "from secrets import token_hex",
        "import os\nos.urandom(8)",
        "from os import urandom",
        "from os import getrandom as octets",
        "from uuid import UUID, uuid4",
        "from django.utils.crypto import get_random_string as text",
        "from django.core.management.utils import get_random_secret_key",
    ],
)
def test_whatever_way_it_is_imported_it_is_seen(source: str) -> None:
    assert draws(ast.parse(source))


def test_nothing_else_asks_the_system_for_chance() -> None:
    found = {name: draws(tree) for name, tree in sources().items()}
    others = {name: drawn for name, drawn in found.items() if drawn and name not in SEEDED | {"machines/chance.py"}}
    assert others == {}
    assert found["machines/chance.py"] == {"secrets"}


def test_it_is_taken_where_a_process_is_put_together_and_handed_on() -> None:
    """Whoever was handed none would take the system's unseen, also where a test hands in another."""
    takes = {
        name
        for name, tree in sources().items()
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and node.module == "machines.chance"
        if "SYSTEM" in {alias.name for alias in node.names}
    }
    assert takes == TAKES_IT
