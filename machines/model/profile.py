"""A machine in numbers, and the arithmetic between millimetres, dots and columns.

The picture runs along the paper. A *column* is one line of dots across the paper; a turn of the cycle has
``columns_per_turn`` of them. Columns are numbered through: column c of turn n is ``n * columns_per_turn + c``, and
this *running column* is what plans, nodes and reports speak of.

A *burst* is the group of columns that a machine lays in one go. Bursts are counted from running column 0, so
that they never depend on where a run begins; a burst is laid at the instant of its first column.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

from machines.errors import require
from machines.serialization import structure, unstructure

LENGTH_LIMIT_MM = 100_000.0


def _require_positive(owner: object, *names: str) -> None:
    for name in names:
        value = getattr(owner, name)
        require(0 < value < float("inf"), name, f"{value} is not a positive number", "give a number above 0")


def _require_strobes_in_time(head: LineHead, dots_across: int, column_s: float) -> None:
    full_s = head.full_column_s(dots_across)
    require(
        full_s <= column_s,
        "highest_mm_per_hour",
        f"a full column takes {full_s:.3g} s to fire in its strobes, and passes in {column_s:.3g} s",
        "give a lower speed, a shorter strobe_s or a supply that fires more dots at once",
    )


def _require_plate(columns: int, dots_across: int) -> None:
    """A turn must fit the memory of whoever draws or prints it."""
    require(
        columns * dots_across <= LARGEST_PLATE_DOTS,
        "columns_per_turn",
        f"{columns:,} columns of {dots_across:,} dots are {columns * dots_across:,} dots a turn",
        f"a turn may have {LARGEST_PLATE_DOTS:,}: give at most {LARGEST_PLATE_DOTS // dots_across:,} columns, or fewer"
        " dots across",
    )


@dataclass(frozen=True, kw_only=True)
class IdleFiring:
    """Drops that every nozzle fires into the waste, picture or not, so that its ink does not dry.

    Attributes:
        drops: fired by each nozzle each time.
        every_s: time between, seconds.
    """

    drops: int
    every_s: float

    def __post_init__(self) -> None:
        require(self.drops >= 0, "drops", f"{self.drops} drops", "give 0 or more")
        require(0 < self.every_s < float("inf"), "every_s", f"{self.every_s} s", "give a number above 0")


@dataclass(frozen=True, kw_only=True)
class CarriageHead:
    """A head that a carriage moves across the paper, with its nozzles in a row along the feed.

    Attributes:
        nozzles: how many, one column pitch apart.
        passes: by how many distinct nozzles each dot is set.
        drop_pl: volume of one drop, picolitres.
        idle_firing: how idle nozzles are kept open; None where nothing is known of it, or where they need it not.
        cartridge_ml: ink in a new cartridge, millilitres; None where nobody said.
    """

    nozzles: int
    passes: int
    drop_pl: float
    idle_firing: IdleFiring | None = None
    cartridge_ml: float | None = None
    kind: Literal["carriage"] = "carriage"

    def __post_init__(self) -> None:
        require(1 <= self.nozzles <= 4096, "nozzles", f"{self.nozzles} nozzles", "give 1 to 4096")
        require(
            1 <= self.passes <= self.nozzles,
            "passes",
            f"{self.passes} passes with {self.nozzles} nozzles",
            "each dot is set by distinct nozzles: give 1 to the number of nozzles",
        )
        _require_positive(self, "drop_pl")
        if self.cartridge_ml is not None:
            _require_positive(self, "cartridge_ml")


@dataclass(frozen=True, kw_only=True)
class LineHead:
    """A head as wide as the paper that sets a whole column, in strobes that keep its supply within its limit.

    Attributes:
        dot_current_a: current of one dot while it fires, amperes.
        supply_current_a: most that the supply gives, amperes.
        strobe_s: how long one strobe lasts, seconds.
    """

    dot_current_a: float
    supply_current_a: float
    strobe_s: float
    kind: Literal["line"] = "line"

    def __post_init__(self) -> None:
        _require_positive(self, "dot_current_a", "supply_current_a", "strobe_s")
        require(
            self.supply_current_a >= self.dot_current_a,
            "supply_current_a",
            f"{self.supply_current_a} A cannot fire one dot of {self.dot_current_a} A",
            "give at least the current of one dot",
        )

    @property
    def dots_per_strobe(self) -> int:
        """How many dots may fire at once."""
        # The tolerance is for quotients such as 2.4 A / 0.03 A, which comes out as 79.99999999999999.
        return math.floor(self.supply_current_a / self.dot_current_a * (1 + 1e-12))

    def full_column_strobes(self, dots_across: int) -> int:
        """How many strobes a column of so many dots takes when it is full."""
        return math.ceil(dots_across / self.dots_per_strobe)

    def full_column_s(self, dots_across: int) -> float:
        """Seconds that a column of so many dots takes to fire when it is full."""
        return self.full_column_strobes(dots_across) * self.strobe_s


@dataclass(frozen=True, kw_only=True)
class Knife:
    """The cutter beyond the head.

    Attributes:
        head_to_knife_mm: along the paper, from the head's first nozzle to the blade.
        cuts_per_blade: how many cuts before the blade is dull.
    """

    head_to_knife_mm: float
    cuts_per_blade: int

    def __post_init__(self) -> None:
        require(
            0 <= self.head_to_knife_mm < LENGTH_LIMIT_MM,
            "head_to_knife_mm",
            f"{self.head_to_knife_mm} mm",
            f"give 0 to {LENGTH_LIMIT_MM:.0f} mm",
        )
        require(self.cuts_per_blade >= 1, "cuts_per_blade", f"{self.cuts_per_blade} cuts", "give at least 1")


@dataclass(frozen=True, kw_only=True)
class Media:
    """The roll: its width and caliper in millimetres, its length in metres."""

    width_mm: float
    caliper_mm: float
    roll_m: float

    def __post_init__(self) -> None:
        _require_positive(self, "width_mm", "caliper_mm", "roll_m")


@dataclass(frozen=True, kw_only=True)
class Profile:
    """What a machine is, in numbers.

    Attributes:
        name: what the studio calls the model.
        columns_per_turn: columns in one turn of the picture.
        mm_per_turn: length of one turn on the paper.
        dots_across: dots in one column.
        print_width_mm: length of one column, across the paper.
        columns_per_burst: cadence; 1 for a head that can crawl, a swath for ink that dries in the nozzle.
        highest_mm_per_hour: the fastest that the machine can print for hours on end.
        clock_tolerance_dots: the node prints only while its clock is this sure, in columns of time.
        travel: which way the paper moves, seen from the front. Moving ``right``, the newest column is at the left end.
        head, knife, media: the parts; ``knife`` is None where the paper is wound up.
        encoder_pitch_mm: the paper that passes for each count of an encoder on the paper itself, not on the motor;
            None where there is none.
        slip_threshold_mm: paper that is further than this from where it was ordered is said to have slipped.
    """

    name: str
    columns_per_turn: int
    mm_per_turn: float
    dots_across: int
    print_width_mm: float
    highest_mm_per_hour: float
    head: CarriageHead | LineHead
    media: Media
    knife: Knife | None = None
    columns_per_burst: int = 1
    clock_tolerance_dots: float = 0.5
    travel: Literal["right", "left"] = "right"
    encoder_pitch_mm: float | None = None
    slip_threshold_mm: float = 0.5

    def __post_init__(self) -> None:
        require(bool(self.name.strip()), "name", "empty", "give the model a name")
        _require_positive(self, "mm_per_turn", "print_width_mm", "highest_mm_per_hour", "clock_tolerance_dots")
        require(
            2 <= self.columns_per_turn <= 2_000_000,
            "columns_per_turn",
            f"{self.columns_per_turn} columns",
            "give 2 to 2,000,000",
        )
        require(8 <= self.dots_across <= 65_536, "dots_across", f"{self.dots_across} dots", "give 8 to 65,536")
        _require_plate(self.columns_per_turn, self.dots_across)
        require(
            1 <= self.columns_per_burst <= self.columns_per_turn,
            "columns_per_burst",
            f"{self.columns_per_burst} columns in a burst of a turn of {self.columns_per_turn}",
            "give 1 to the columns of a turn",
        )
        require(
            self.print_width_mm <= self.media.width_mm,
            "print_width_mm",
            f"{self.print_width_mm} mm on paper of {self.media.width_mm} mm",
            "give at most the width of the paper",
        )
        if isinstance(self.head, LineHead):
            _require_strobes_in_time(self.head, self.dots_across, 1.0 / self.highest_columns_per_s())
        _require_positive(self, "slip_threshold_mm")
        if self.encoder_pitch_mm is not None:
            _require_positive(self, "encoder_pitch_mm")
            require(
                self.encoder_pitch_mm <= self.slip_threshold_mm,
                "slip_threshold_mm",
                f"{self.slip_threshold_mm} mm cannot be seen by an encoder of {self.encoder_pitch_mm} mm a count",
                "give at least a count of the encoder",
            )

    @property
    def column_pitch_mm(self) -> float:
        """Distance between neighbouring columns along the paper."""
        return self.mm_per_turn / self.columns_per_turn

    @property
    def dot_pitch_mm(self) -> float:
        """Distance between neighbouring dots across the paper."""
        return self.print_width_mm / self.dots_across

    @property
    def knife_columns(self) -> int:
        """Distance from head to knife in whole columns, rounded to the nearest (half a pitch of error at most)."""
        return 0 if self.knife is None else round(self.knife.head_to_knife_mm / self.column_pitch_mm)

    def burst_start(self, column: int) -> int:
        """First running column of the burst that holds the given one."""
        return column - column % self.columns_per_burst

    def highest_columns_per_s(self) -> float:
        """The sustained limit of speed, in columns a second."""
        return self.highest_mm_per_hour / 3600.0 / self.column_pitch_mm

    def as_json(self) -> dict[str, Any]:
        """The profile as the API and the wire carry it."""
        return unstructure(self)

    @classmethod
    def from_json(cls, data: Any) -> Profile:
        """Read a profile.

        Raises:
            InputError: names the field, what is wrong with it and what would be right.
        """
        return structure(data, cls)


# 600 mm a turn on paper of 610 mm at 600 dpi is 204 million. A plate takes a byte a dot in memory, and drawing the
# largest map 1.5 GB: more is a mistake in the numbers, or a file from a stranger.
LARGEST_PLATE_DOTS = 250_000_000
