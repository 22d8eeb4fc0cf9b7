"""A board and its copy: what they have in common, and the paper that the copy would have if all of it were its own."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from machines.drivers.simulated.paper import Paper


@dataclass(frozen=True, kw_only=True)
class Common:
    """What a board and its copy have in common of their papers, as the copied journal tells.

    Attributes:
        end: the place at which the two part.
        uncut: places below it at which the knife is still due, so that each cuts its own.
    """

    end: int
    uncut: frozenset[int]


def joined(original: Paper, copied: Paper, common: Common) -> Paper:
    """The paper that a copied board has printed on, as if it had been its own from the beginning: up to where the two
    part that of the original. What the original laid after that, nobody was told."""
    if not original.laid.size:
        return copied
    shared = original.laid["place"] < common.end
    cut = (original.cuts["place"] < common.end) & ~np.isin(original.cuts["place"], list(common.uncut))
    dots = np.zeros((copied.dots.shape[0], max(common.end, copied.dots.shape[1])), dtype=bool)
    dots[:, : copied.dots.shape[1]] = copied.dots
    theirs = original.dots[:, : common.end]
    dots[:, : theirs.shape[1]] |= theirs
    return replace(
        copied,
        dots=dots,
        laid=np.concatenate([original.laid[shared], copied.laid]),
        cuts=np.concatenate([original.cuts[cut], copied.cuts]),
        elsewhere=np.concatenate([original.elsewhere[original.elsewhere["place"] < common.end], copied.elsewhere]),
    )
