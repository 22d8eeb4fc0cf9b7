"""`make vectors`: writes all of them into `machines/protocol/vectors`."""

from __future__ import annotations

import json
from typing import Any

from tests.node_vectors.made import FOLDER, MADE


def main() -> None:
    """Write them."""
    FOLDER.mkdir(exist_ok=True)
    for name, make in MADE.items():
        (FOLDER / f"{name}.json").write_text(written(make()))


def written(vectors: dict[str, Any]) -> str:
    """As JSON, a vector a line, so that a change shows where it is."""
    about, (name, rows) = json.dumps(vectors["about"]), next(one for one in vectors.items() if one[0] != "about")
    lines = ",\n".join(json.dumps(row, separators=(",", ":")) for row in rows)
    return f'{{"about": {about},\n"{name}": [\n{lines}\n]}}\n'


if __name__ == "__main__":
    main()
