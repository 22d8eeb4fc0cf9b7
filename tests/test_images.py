"""The files by which images are made: judged by hadolint, from its package, and held to what is stated here."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

DOCKER = Path(__file__).parents[1] / "docker"
IMAGES = sorted(DOCKER.glob("*.Dockerfile"))
HADOLINT = Path(sys.executable).with_name("hadolint")
PATIENCE_S = 60.0
# What hadolint wants and these files have otherwise: it asks for a user by number, as some hosts refuse names; ours is
# made in the image, and named where rights are given in it.
OTHERWISE = ["DL3066"]


def judged(text: str) -> list[str]:
    """What hadolint finds in a file, by the names of its rules."""
    command = [str(HADOLINT), "--format=json", "--no-fail", *(f"--ignore={rule}" for rule in OTHERWISE), "-"]
    done = subprocess.run(command, input=text, capture_output=True, text=True, timeout=PATIENCE_S, check=True)
    return [f"line {found['line']}: {found['code']}: {found['message']}" for found in json.loads(done.stdout)]


def steps(text: str) -> list[tuple[str, str]]:
    """The steps of a file, each with its words, lines that go on put together."""
    lines = re.sub(r"\\\n", " ", "\n".join(line for line in text.splitlines() if not line.startswith("#"))).splitlines()
    return [(name, " ".join(words)) for name, *words in (line.split() for line in lines if line.strip())]


def test_there_are_two() -> None:
    assert [image.name for image in IMAGES] == ["node.Dockerfile", "server.Dockerfile"]


@pytest.mark.parametrize("image", IMAGES, ids=lambda image: image.stem)
def test_the_judge_finds_nothing(image: Path) -> None:
    assert judged(image.read_text()) == []


@pytest.mark.parametrize(
    ("rule", "old", "new"),
    [
        ("DL3020", "COPY server.lock.txt .", "ADD server.lock.txt ."),
        ("DL3002", "USER dayroll", "USER root"),
        ("DL3006", "FROM ${PYTHON_IMAGE}", "FROM python"),
        ("DL3000", "WORKDIR /srv/dayroll", "WORKDIR srv"),
    ],
)
def test_the_judge_can_say_no(rule: str, old: str, new: str) -> None:
    text = (DOCKER / "server.Dockerfile").read_text()
    assert old in text
    assert any(rule in found for found in judged(text.replace(old, new)))


@pytest.mark.parametrize("image", IMAGES, ids=lambda image: image.stem)
def test_it_is_made_as_stated(image: Path) -> None:
    """From one base that whoever builds can name by its digest; nothing is fetched but what a lock names with its
    digest; it runs as a user of its own; and what it starts is no shell's child, so that it hears when it is to end."""
    made = steps(image.read_text())
    assert made[:2] == [("ARG", "PYTHON_IMAGE=python:3.12-slim"), ("FROM", "${PYTHON_IMAGE}")]
    names = [name for name, _ in made]
    assert names.count("FROM") == 1 and "ADD" not in names
    assert [words for name, words in made if name == "USER"] == ["dayroll"]
    assert "RUN" not in names[names.index("USER") :] and "COPY" not in names[names.index("USER") :]
    for name, words in made:
        assert "://" not in words and "curl" not in words and "apt" not in words.split()
        if name in ("CMD", "ENTRYPOINT"):
            assert isinstance(json.loads(words), list)
        for step in words.split("&&"):
            if "pip install" in step:
                assert "--require-hashes" in step or "--no-deps ." in step, step
        if name == "COPY":
            assert all((DOCKER.parent / source).exists() for source in words.split()[:-1]), words
