"""`make attack`: the storms, the bombs, the forged entries and the matrix of roles against a server of its own."""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
from pathlib import Path

from tests.attack.row import Row, report, table

STORM_S, SHORT_STORM_S = 20.0, 3.0


def main() -> int:
    """Attack, print the table, write the file; 1 where a promise is broken."""
    parser = argparse.ArgumentParser(prog="python -m tests.attack", description=__doc__)
    parser.add_argument(
        "--short", action="store_true", help="shorter storms, and only the files that are quick to make"
    )
    parser.add_argument("--untimed", action="store_true", help="nothing is broken by being late, as on a busy computer")
    parser.add_argument("--out", type=Path, default=Path("var/attack.json"), help="where the figures are written")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="attack-") as folder:
        # The orders of the tests look into the database of the server that they are given to.
        os.environ["DAYROLL_HOME"] = str(Path(folder) / "home")
        os.environ["DJANGO_SETTINGS_MODULE"] = "server.settings"
        return attack(Path(folder), options)


def attack(folder: Path, options: argparse.Namespace) -> int:
    """All of it, one kind after another: what is timed is not disturbed by the rest."""
    import django

    django.setup()
    from tests.attack import bodies, files, forged, matrix, storms
    from tests.attack.remote import PATIENCE_S, UNTIMED_PATIENCE_S
    from tests.attack.target import target

    load, rows = [os.getloadavg()[0]], []
    with target(folder, UNTIMED_PATIENCE_S if options.untimed else PATIENCE_S) as attacked:
        for name, play in (
            ("storms", lambda: storms.storms(attacked, SHORT_STORM_S if options.short else STORM_S)),
            ("bodies and queries", lambda: bodies.bodies(attacked)),
            ("files", lambda: files.files(attacked, files.QUICK if options.short else files.QUICK + files.SLOW)),
            ("forged entries", lambda: [forged.forged(attacked)]),
            # Last: the studio's orders are carried out, and then a board is replaced.
            ("roles", lambda: matrix.matrix(attacked)),
            ("takeovers", lambda: [forged.taken_over(attacked)]),
        ):
            print(f"{name} ...", file=sys.stderr, flush=True)
            rows += play()
            load.append(os.getloadavg()[0])
        said = attacked.log.read_text(errors="replace")
    rows.append(_log(said))
    for row in rows if options.untimed else ():
        row.most_s = row.worst_s = None
    print(table(rows))
    told = report(rows, load)
    options.out.parent.mkdir(parents=True, exist_ok=True)
    options.out.write_text(json.dumps(told, indent=1) + "\n")
    counts = f"{told['tried']} tried, {told['wrongly_allowed']} wrongly allowed, {told['server_errors']} server errors"
    print(f"{counts}; load {min(load):.1f} to {max(load):.1f}; {options.out}")
    return 0 if told["holds"] else 1


def _log(said: str) -> Row:
    """What the server wrote of all this: no mistake of its own."""
    found = Row("lines of the server's log", tried=len(said.splitlines()))
    found.wrong += [line for line in said.splitlines() if "Traceback" in line]
    return found


if __name__ == "__main__":
    sys.exit(main())
