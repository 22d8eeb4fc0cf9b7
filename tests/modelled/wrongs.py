"""Mistakes made on purpose in the node, each in place of the right code for a while: what a model of the server is
enough to find."""

from __future__ import annotations

from collections.abc import Mapping

from tests.simulated.wrongs import WRONGS as ALL
from tests.simulated.wrongs import Wrong

WRONGS: Mapping[str, Wrong] = {
    name: ALL[name]
    for name in (
        "orders-forgotten",
        "not-sent-again",
        "word-not-heeded",
        "resumes-by-itself",
        "jam-not-held",
        "fence-not-kept",
        "paper-forgotten",
        "cuts-unarmed",
        "armed-for-ever",
        "position-slips",
        "left-run-forgotten",
    )
}
