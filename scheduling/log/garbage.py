"""The collector of cycles, held back while very many things are made that hold no cycles.

Python looks for unreachable cycles whenever so many more objects were made than dropped. Folding makes rows by the
hundred thousand and drops none, so that it would look through all of them again and again, and find nothing: a third
of the time goes there. What is dropped meanwhile is freed all the same, by its count of references.

Afterwards very many new things count as old: else the collector would look through all of them at once.
"""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager

# Of fewer the collector makes short work, and should: there may be cycles among them that others have dropped.
MANY = 20_000


@contextmanager
def held_back() -> Iterator[None]:
    """No collection by itself for as long as the block lasts; of blocks in several threads, the first ends it."""
    was_enabled = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_enabled:
            if gc.get_count()[0] > MANY:
                gc.freeze()
                gc.unfreeze()  # which puts what was frozen with the oldest
            gc.enable()
