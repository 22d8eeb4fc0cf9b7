"""What `docker/compose.yaml` says, as its program reads it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import yaml

DOCKER = Path(__file__).parents[2] / "docker"
FLEET: dict[str, Any] = yaml.safe_load((DOCKER / "compose.yaml").read_text())
SERVICES: dict[str, dict[str, Any]] = FLEET["services"]
# The parts of which the program is ours, and runs from one image.
OURS = ("migrate", "web", "worker", "drawer", "sender", "beat")
# "$$" is a dollar; ${NAME:-usual} a variable of whoever starts it, or the usual where that is empty or not set.
_VARIABLE = re.compile(r"\$(?:\$|\{(\w+):-([^}]*)\})")


def told(text: str, variables: Mapping[str, str]) -> str:
    """A text of the file with the variables of whoever starts the fleet.

    Raises:
        ValueError: it has a dollar that is neither; the fleet's program would read something else.
    """

    def value(found: re.Match[str]) -> str:
        return "$" if found[1] is None else variables.get(found[1]) or found[2]

    if "$" in _VARIABLE.sub("", text):
        raise ValueError(f"{text!r}: write ${{NAME:-usual}} or $$")
    return _VARIABLE.sub(value, text)


def command(service: str) -> list[str]:
    """What a part is started with."""
    return [told(word, {}) for word in SERVICES[service]["command"]]


def environment(service: str, variables: Mapping[str, str]) -> dict[str, str]:
    """The variables that a part is given."""
    return {name: told(str(value), variables) for name, value in SERVICES[service].get("environment", {}).items()}


def health_check(service: str) -> list[str]:
    """The command that asks a part whether it is well."""
    kind, *words = SERVICES[service]["healthcheck"]["test"]
    return [told(word, {}) for word in (words if kind == "CMD" else ["sh", "-c", *words])]
