"""`python -m tests.modelled.biting`: whether each mistake made on purpose in the node is found beside a model of the
server, and after how many hours of those that can show it. Writes `var/biting-modelled.json`."""

from __future__ import annotations

import sys

from server.demo.processes import ROOT
from tests.modelled.series import FLOOR
from tests.modelled.wrongs import WRONGS
from tests.simulated.biting import run

FILE = ROOT / "var" / "biting-modelled.json"

if __name__ == "__main__":
    sys.exit(run(FLOOR, WRONGS, FILE))
