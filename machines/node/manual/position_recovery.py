"""A machine that has lost where its paper stands: what the journal knows of it, for a person to confirm and tell it.

Wherever the paper really stands, what is printed next begins at least one column after what is under the head's first
nozzle, the foremost that has fired, so nothing is ever printed over, if nobody drew the paper back. The place itself
only decides where strips are cut:

    laid, or perhaps laid .......|                              |-> printed next
                                 ^ end of paper by the journal  ^ under the first nozzle: the place that is told
"""

from __future__ import annotations

import sqlite3

from machines.errors import InputError
from machines.model.profile import CarriageHead, Profile
from machines.node.store.journal import read_state
from machines.node.work import order_log, takeover
from machines.operator.language import _, decimal

# More blank paper than this is not measured beside a machine: another roll is nearer.
MOST_FED_MM = 5000.0


def check_fed(fed_mm: float) -> None:
    """Blank paper that a person fed by hand and measured.

    Raises:
        InputError: no length, or too long a one.
    """
    if not 0.0 <= fed_mm <= MOST_FED_MM:
        raise InputError(
            "fed", f"{fed_mm:g} mm", _("give {least} to {most} mm").format(least="0", most=f"{MOST_FED_MM:g}")
        )


def place_under_head(db: sqlite3.Connection, profile: Profile, fed_mm: float = 0.0) -> int:
    """The place under the head's first nozzle, if all that was ordered and not seen lies on the paper, and so much
    blank paper was fed since by hand, millimetres. A board that takes a machine over knows what the server told it.

    The last burst ended with its last column under the last nozzle; a cut left what is printed next under the first.
    An interrupted burst may have left it up to its own length less far: a strip is cut as much too early. Never 0, as
    that would tell a board that takes a machine over that nothing was printed yet.
    """
    state, end = read_state(db), max(order_log.end_of_paper(db), takeover.paper_known(db))
    was_cut = state.cut_place >= 0 and state.cut_place + profile.knife_columns == end
    nozzles = profile.head.nozzles if isinstance(profile.head, CarriageHead) else 1
    return max(1, end if was_cut else end + nozzles - 2) + round(fed_mm / profile.column_pitch_mm)


def in_words(place: int, profile: Profile) -> str:
    """Where the paper stands, for whoever confirms it."""
    metres = place * profile.column_pitch_mm / 1000.0
    said = _("By this node's journal the paper at the head is {metres} m after the machine's first (place {place})")
    return said.format(metres=decimal(f"{metres:.3f}"), place=place)
