"""What `dayroll` and `dayroll --help` say: the commands of the product, a line each."""

from __future__ import annotations

import re
from collections.abc import Iterator

from django.core.management import get_commands, load_command_class

OURS = "server."
END = """
`dayroll COMMAND --help` says more of each, with an example.
The framework's own (migrate, changepassword, ...) are run the same way; `dayroll django` lists them."""


def overview() -> str:
    """All of it."""
    lines = dict(_lines())
    width = max(map(len, lines))
    return "\n".join(
        ["Dayroll, at the server:", "", *(f"  {name:{width}}  {said}" for name, said in lines.items()), END]
    )


def _lines() -> Iterator[tuple[str, str]]:
    for name, app in sorted(get_commands().items()):
        if isinstance(app, str) and app.startswith(OURS):
            said = re.split(r"[.:] ", load_command_class(app, name).help)
            yield name.replace("_", "-"), said[0].removesuffix(".")
