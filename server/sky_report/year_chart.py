"""A picture of a year of light at a place: day, twilights, night and moonlight by date and by the clock on the wall.

Time runs to the right, a day a column; the clock runs down, from midnight to midnight of local civil time, so that a
change of the clocks shows as a step. Above stand the Moon's phases and the seasons, below the length of the day.
"""

from __future__ import annotations

import calendar
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import numpy.typing as npt

from scheduling.sky.timescales import DAY_S
from scheduling.sky.zones import zone_version
from server.sky_report.canvas import Canvas, PngCanvas, SvgCanvas
from server.sky_report.year_of_light import LEVELS, ClockChange, LightYear

WIDTH, HEIGHT = 1360, 900
_LEFT, _RIGHT, _TOP, _BOTTOM = 72.0, 1288.0, 132.0, 612.0  # of the year
_LENGTH_TOP, _LENGTH_BOTTOM = 676.0, 784.0  # of the strip with the length of the day
_PAPER, _INK, _PALE_INK, _RULE = "#fffdf8", "#26283a", "#6c6e80", "#c9c6ba"
_LIGHT = dict(zip(LEVELS, ("#fbe9b0", "#f0a868", "#a4789f", "#4f4f8f", "#181c40"), strict=True))
_MOONLIGHT, _NOON, _LENGTH = "#f4f6ff", "#b4571c", "#e2b84c"
_SECOND_H = 1.0 / 3600.0
_MOONLIGHT_STEPS = 10  # shades of moonlight, by the illuminated part of the Moon
_PHASES = {"new-moon": 0.0, "first-quarter": 0.25, "full-moon": 0.5, "last-quarter": 0.75}
_SEASONS = ("march-equinox", "june-solstice", "september-equinox", "december-solstice")


def year_svg(year: LightYear, name: str) -> bytes:
    """The picture as an SVG file; ``name`` is that of the place."""
    canvas = SvgCanvas(WIDTH, HEIGHT, f"{name}: the light of {year.year}")
    draw_year(canvas, year, name)
    return canvas.encode()


def year_png(year: LightYear, name: str) -> bytes:
    """The picture as a PNG file; ``name`` is that of the place."""
    canvas = PngCanvas(WIDTH, HEIGHT)
    draw_year(canvas, year, name)
    return canvas.encode()


def draw_year(canvas: Canvas, year: LightYear, name: str) -> None:
    """Draw the whole picture."""
    canvas.rectangles([(0.0, 0.0, WIDTH, HEIGHT)], _PAPER)
    frame = _Frame(year.days)
    _heading(canvas, year, name)
    _light(canvas, frame, year)
    _grid(canvas, frame, year)
    _noons(canvas, frame, year)
    _phases(canvas, frame, year)
    _seasons(canvas, frame, year)
    for change in year.clock_changes:
        _clock_change(canvas, frame, year, change)
    _day_lengths(canvas, frame, year)
    _legend(canvas)


@dataclass(frozen=True)
class _Frame:
    """Where a day and a time of day stand on the sheet."""

    days: int

    def x(self, day: float) -> float:
        return _LEFT + (_RIGHT - _LEFT) * day / self.days

    def y(self, seconds: float) -> float:
        return _TOP + (_BOTTOM - _TOP) * seconds / DAY_S


def _heading(canvas: Canvas, year: LightYear, name: str) -> None:
    canvas.text((_LEFT, 46.0), f"{name}, {year.year}", 28.0, _INK)
    subject = f"{year.place}, clock of {year.zone.key} (zone database {zone_version()})"
    canvas.text((_RIGHT, 46.0), subject, 13.0, _PALE_INK, "end")


def _light(canvas: Canvas, frame: _Frame, year: LightYear) -> None:
    boxes: dict[int, list[tuple[float, float, float, float]]] = defaultdict(list)
    for stretch in year.light:
        boxes[int(stretch.value)].append(_box(frame, stretch.day, stretch.begins_s, stretch.ends_s))
    for level, corners in sorted(boxes.items()):
        canvas.rectangles(corners, _LIGHT[LEVELS[level]])
    shades: dict[int, list[tuple[float, float, float, float]]] = defaultdict(list)
    for stretch in year.moon:
        shade = round(stretch.value * _MOONLIGHT_STEPS)
        shades[shade].append(_box(frame, stretch.day, stretch.begins_s, stretch.ends_s))
    for shade, corners in sorted(shades.items()):
        canvas.rectangles(corners, _MOONLIGHT, 0.32 * shade / _MOONLIGHT_STEPS)


def _box(frame: _Frame, day: int, begins_s: float, ends_s: float) -> tuple[float, float, float, float]:
    return frame.x(day), frame.y(begins_s), frame.x(day + 1), frame.y(ends_s)


def _grid(canvas: Canvas, frame: _Frame, year: LightYear) -> None:
    for hour in range(0, 25, 3):
        y = frame.y(hour * 3600.0)
        canvas.line([(_LEFT, y), (_RIGHT, y)], _PAPER, 1.0, 0.35)
        canvas.text((_LEFT - 10.0, y + 5.0), f"{hour:02}:00", 13.0, _PALE_INK, "end")
        canvas.text((_RIGHT + 10.0, y + 5.0), f"{hour:02}:00", 13.0, _PALE_INK)
    for first, middle, month in _months(year.year):
        for top, bottom, colour in ((_TOP, _BOTTOM, _PAPER), (_LENGTH_TOP, _LENGTH_BOTTOM, _RULE)):
            canvas.line([(frame.x(first), top), (frame.x(first), bottom)], colour, 1.0, 0.5)
        canvas.text((frame.x(middle), _BOTTOM + 22.0), calendar.month_abbr[month], 14.0, _INK, "middle")


def _months(year: int) -> Iterator[tuple[int, float, int]]:
    """First day of the year, middle day and number of each month."""
    for month in range(1, 13):
        first = (date(year, month, 1) - date(year, 1, 1)).days
        yield first, first + 0.5 * calendar.monthrange(year, month)[1], month


def _noons(canvas: Canvas, frame: _Frame, year: LightYear) -> None:
    """The line of solar noon, broken where the clocks change."""
    run: list[tuple[float, float]] = []
    for day, seconds in enumerate(year.noons_s.tolist()):
        jumps = bool(run) and abs(frame.y(seconds) - run[-1][1]) > frame.y(600.0) - frame.y(0.0)
        if np.isnan(seconds) or jumps:
            _stroke(canvas, run)
            run = []
        if not np.isnan(seconds):
            run.append((frame.x(day + 0.5), frame.y(seconds)))
    _stroke(canvas, run)


def _stroke(canvas: Canvas, run: list[tuple[float, float]]) -> None:
    if len(run) > 1:
        canvas.line(run, _NOON, 1.5)


def _phases(canvas: Canvas, frame: _Frame, year: LightYear) -> None:
    """The four phases of each month, as the northern sky shows them."""
    canvas.text((_LEFT - 10.0, 87.0), "Moon", 13.0, _PALE_INK, "end")
    for event in year.events:
        if event.kind in _PHASES:
            day, seconds = year.day_and_seconds(event.at)
            centre = (frame.x(day + seconds / DAY_S), 82.0)
            _moon(canvas, centre, 8.0, _PHASES[event.kind], mirrored=year.place.latitude_degrees < 0.0)


def _moon(canvas: Canvas, centre: tuple[float, float], radius: float, phase: float, mirrored: bool) -> None:
    canvas.circle(centre, radius, _LIGHT["astronomical twilight"])
    waxing = phase < 0.5
    fraction = 0.5 * (1.0 - np.cos(2.0 * np.pi * phase))
    if fraction == 0.0:
        return
    side = (1.0 if waxing else -1.0) * (-1.0 if mirrored else 1.0)
    angles = np.linspace(-0.5 * np.pi, 0.5 * np.pi, 25)
    limb = side * np.cos(angles)
    terminator = side * np.cos(angles) * (1.0 - 2.0 * fraction)
    x = np.concatenate([limb, terminator[::-1]]) * (radius - 1.0) + centre[0]
    y = np.concatenate([np.sin(angles), np.sin(angles)[::-1]]) * (radius - 1.0) + centre[1]
    canvas.polygon(list(zip(x.tolist(), y.tolist(), strict=True)), "#fbf3d5")


def _seasons(canvas: Canvas, frame: _Frame, year: LightYear) -> None:
    for event in year.events:
        if event.kind in _SEASONS:
            day, seconds = year.day_and_seconds(event.at)
            x = frame.x(day + seconds / DAY_S)
            local = event.at.astimezone(year.zone)
            middle = min(max(x, _LEFT + 80.0), _RIGHT - 80.0)
            words = f"{event.kind.replace('-', ' ').capitalize()} {_day(local.date())}"
            canvas.text((middle, 118.0), words, 12.0, _PALE_INK, "middle")
            canvas.line([(x, 122.0), (x, _TOP)], _PALE_INK)


def _clock_change(canvas: Canvas, frame: _Frame, year: LightYear, change: ClockChange) -> None:
    day, _ = year.day_and_seconds(change.at)
    minutes = abs(change.by) // timedelta(minutes=1)
    way = "forward" if change.by > timedelta(0) else "back"
    local = change.at.astimezone(year.zone)
    text = f"clocks {way} {minutes} min, {_day(local.date())}"
    x = frame.x(day)
    canvas.line([(x, _BOTTOM), (x, _BOTTOM + 30.0)], _NOON)
    canvas.text((x + 6.0, _BOTTOM + 40.0), text, 12.0, _NOON, "end" if x > _RIGHT - 180.0 else "start")


def _day_lengths(canvas: Canvas, frame: _Frame, year: LightYear) -> None:
    hours = year.day_lengths_s / 3600.0
    height = (_LENGTH_BOTTOM - _LENGTH_TOP) / 24.0
    canvas.rectangles(
        [
            (frame.x(day), _LENGTH_BOTTOM - length * height, frame.x(day + 1), _LENGTH_BOTTOM)
            for day, length in enumerate(hours.tolist())
        ],
        _LENGTH,
    )
    for hour in (0, 6, 12, 18, 24):
        y = _LENGTH_BOTTOM - hour * height
        canvas.line([(_LEFT, y), (_RIGHT, y)], _RULE, 1.0, 0.6)
        canvas.text((_LEFT - 10.0, y + 5.0), f"{hour} h", 12.0, _PALE_INK, "end")
    for extreme, word in ((hours.max(), "longest"), (hours.min(), "shortest")):
        alike = np.flatnonzero(np.abs(hours - extreme) < _SECOND_H)
        index = int(alike[len(alike) // 2])
        x = min(max(frame.x(index), _LEFT + 90.0), _RIGHT - 90.0)
        y = _LENGTH_BOTTOM - extreme * height + (16.0 if extreme > 20.0 else -6.0)
        canvas.text((x, y), _extreme(year.year, word, extreme, alike), 12.0, _INK, "middle")


def _extreme(year: int, word: str, hours: float, days: npt.NDArray[np.intp]) -> str:
    """What there is to say of the longest or the shortest day."""
    if hours < _SECOND_H or hours > 24.0 - _SECOND_H:
        return f"the Sun {'up' if hours > 12.0 else 'down'} all day on {len(days)} dates"
    minutes = round(60.0 * hours)
    day = date(year, 1, 1) + timedelta(days=int(days[0]))
    return f"{word} {minutes // 60} h {minutes % 60:02} min, {_day(day)}"


def _legend(canvas: Canvas) -> None:
    x = _LEFT
    items = [*_LIGHT.items(), ("Moon above the horizon, by its light", _MOONLIGHT), ("solar noon", _NOON)]
    for text, colour in items:
        if text == "solar noon":
            canvas.line([(x, 829.0), (x + 22.0, 829.0)], colour, 2.0)
        else:
            canvas.rectangles([(x - 0.5, 819.5, x + 22.5, 838.5)], _RULE)
            canvas.rectangles([(x, 820.0, x + 22.0, 838.0)], _LIGHT["night"] if colour == _MOONLIGHT else colour)
        if colour == _MOONLIGHT:
            canvas.rectangles([(x + 6.0, 820.0, x + 22.0, 838.0)], colour, 0.32)
        canvas.text((x + 30.0, 834.0), text, 13.0, _INK)
        x += 58.0 + 7.2 * len(text)
    conventions = (
        "Day: the Sun's upper limb above a level horizon, with 34 minutes of arc of refraction. Twilights: its centre"
        " down to 6, 12 and 18 degrees below.",
        "An hour that the clocks skip is left white; one that they show twice is drawn twice. Strip: how long the Sun"
        " is up on each date.",
    )
    for line, text in enumerate(conventions):
        canvas.text((_LEFT, 862.0 + 17.0 * line), text, 12.0, _PALE_INK)


def _day(day: date) -> str:
    return f"{day.day} {calendar.month_abbr[day.month]}"
