"""What follows from the numbers of a model, in words: its pace by each cycle, its dots, its supplies."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from machines.model.profile import CarriageHead, Profile
from machines.model.supplies import idle_ml, use
from scheduling.paper.model_pace import SHOWN_CYCLES, ModelPace, pace_of_model
from scheduling.sky.timescales import DAY_S, YEAR_S
from server.console import formatting
from server.console.formatting import NO_BREAK

INCH_MM = 25.4
CYCLE_WORDS = {
    "sidereal-day": "sidereal day, the fastest",
    "mean-solar-day": "day",
    "lunar-day": "lunar day",
    "synodic-month": "month, of the Moon",
    "tropical-year": "year, the slowest",
}


@dataclass(frozen=True)
class PaceRow:
    """A line of the table of paces, in words."""

    cycle: str
    mm_per_hour: str
    burst: str
    knife: str
    catching_up: str
    roll: str


def in_short(profile: Profile) -> str:
    """A model as a list says it."""
    head = "carriage" if isinstance(profile.head, CarriageHead) else "line head"
    knife = "wound up" if profile.knife is None else "cut"
    size = f"{with_unit(profile.mm_per_turn, 'mm')} a turn, {with_unit(profile.print_width_mm, 'mm')} wide"
    return f"{size}; {head}, {knife}"


def paces(profile: Profile) -> list[PaceRow]:
    """How it goes by each cycle, the fastest first."""
    return [_pace_row(pace_of_model(profile, cycle)) for cycle in SHOWN_CYCLES]


def follows(profile: Profile) -> list[tuple[str, str]]:
    """What follows from its numbers: what, and how it is said."""
    return [*_speed(profile), *_dots(profile), *_supplies(profile)]


def _pace_row(pace: ModelPace) -> PaceRow:
    return PaceRow(
        cycle=CYCLE_WORDS[pace.cycle],
        mm_per_hour=with_unit(pace.mm_per_hour, "mm"),
        burst=_span(pace.burst_s),
        knife="" if pace.knife_s is None else _span(pace.knife_s),
        catching_up=_catching_up(pace),
        roll=_span(pace.roll_s),
    )


def _catching_up(pace: ModelPace) -> str:
    if pace.gain < 1.0:
        return "too slow for it"
    return "none" if pace.catch_up_s is None else _span(pace.catch_up_s)


def _span(seconds: float) -> str:
    """About how long, from thousandths of a second to centuries."""
    if seconds < 1.0:
        return with_unit(seconds * 1000.0, "ms")
    if seconds < 60.0:
        return with_unit(seconds, "s")
    return formatting.seconds(seconds) if seconds < 2 * YEAR_S else f"{number(seconds / YEAR_S)}{NO_BREAK}years"


def _speed(profile: Profile) -> Iterator[tuple[str, str]]:
    fastest, slowest = (pace_of_model(profile, SHOWN_CYCLES[end]) for end in (0, -1))
    spans = (f"{with_unit(one.mm_per_hour, 'mm')} ({CYCLE_WORDS[one.cycle]})" for one in (fastest, slowest))
    yield "Paper in an hour", " to ".join(spans)
    if fastest.gain < 1.0:
        yield "Speed left", "none: it cannot follow a day; give a higher speed or a shorter turn"
    elif fastest.catch_up_s is None:
        yield "Speed left", "none: what a day's cycle missed is never printed late"
    else:
        late = _span(fastest.catch_up_s)
        yield "Speed left", f"{number(fastest.gain)} times a day's pace; what an hour missed is on paper {late} later"
    every = _pace_row(pace_of_model(profile, "mean-solar-day")).burst
    length = with_unit(profile.columns_per_burst * profile.column_pitch_mm, "mm")
    yield "A burst", f"{formatting.columns(profile.columns_per_burst)}, {length} of paper; by a day, one every {every}"


def _dots(profile: Profile) -> Iterator[tuple[str, str]]:
    along, across = profile.column_pitch_mm, profile.dot_pitch_mm
    inches = f"{number(INCH_MM / along)} an inch along the paper, {number(INCH_MM / across)} across"
    ratio = along / across
    shape = "" if abs(ratio - 1.0) < 0.01 else f"; columns stand {number(ratio)} times as far apart as dots"
    yield "Dots", inches + shape
    bytes_of_burst = profile.columns_per_burst * -(-profile.dots_across // 8)
    yield "In the controller", f"{_octets(bytes_of_burst)} for a burst, at a bit a dot"


def _supplies(profile: Profile) -> Iterator[tuple[str, str]]:
    turns = pace_of_model(profile, "mean-solar-day").roll_turns
    yield "A roll", f"{with_unit(profile.media.roll_m, 'm')}: {number(turns)} turns"
    if profile.knife is not None:
        cuts = profile.knife.cuts_per_blade
        yield "A blade", f"{cuts:,} cuts: {number(cuts / 24)} turns of 24 strips, {number(cuts / 4)} of 4"
    head = profile.head
    if not isinstance(head, CarriageHead):
        strobes, fires_s = head.full_column_strobes(profile.dots_across), head.full_column_s(profile.dots_across)
        most_s = 1.0 / profile.highest_columns_per_s()
        times = f"{_span(fires_s)} of the {_span(most_s)} that it has at the fastest"
        yield "A full column", f"{strobes} strobe{'' if strobes == 1 else 's'}: {times}"
        return
    dots = profile.columns_per_turn * profile.dots_across
    solid = use(profile, columns=profile.columns_per_turn, dots=dots).picture_ml
    of_cartridge = "" if head.cartridge_ml is None else f"; a cartridge prints {number(head.cartridge_ml / solid)}"
    yield "Ink of a solid turn", formatting.ink(solid) + of_cartridge
    if head.idle_firing is not None:
        yield "Ink to keep nozzles open", f"{formatting.ink(idle_ml(head, DAY_S, head.idle_firing))} a day"


def number(value: float) -> str:
    """A number to three digits, never with an exponent."""
    if value >= 100.0:
        return f"{value:,.0f}"
    places = 1 if value >= 10.0 else 2 if value >= 1.0 else 3 if value >= 0.1 else 4
    text = f"{value:.{places}f}".rstrip("0").rstrip(".")
    return text if text != "0" or value == 0.0 else "less than 0.0001"


def with_unit(value: float, unit: str) -> str:
    """The same with its unit, not to be torn apart."""
    return f"{number(value)}{NO_BREAK}{unit}"


def _octets(count: int) -> str:
    return f"{count}{NO_BREAK}bytes" if count < 1000 else with_unit(count / 1000, "kB")
