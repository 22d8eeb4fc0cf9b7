"""GeoJSON (RFC 7946) of polygons and lines, read with suspicion: it comes from strangers."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache, cached_property, lru_cache
from importlib import resources
from itertools import chain
from typing import Any, Literal, NoReturn

import numpy as np

from machines.errors import InputError
from machines.imaging.pictures.rings import Positions, close, unwrap

Land = Literal["land-50m", "land-110m"]

LARGEST_FILE_BYTES = 32_000_000
MOST_POSITIONS = 2_000_000
# Rings and lines: each is drawn by itself, whatever its size. The land of the world at 1:10,000,000 has some thousands.
MOST_SHAPES = 50_000
# What opens an array or an object is a few hundred bytes once read: more than any file within the limits above has.
MOST_ARRAYS, MOST_OBJECTS = 2_500_000, 500_000
# Long edges that slope are drawn in steps of a degree.
MOST_STEPS = 4_000_000
DEEPEST_COLLECTION = 8
# How deep the arrays of positions lie within the coordinates of a geometry.
_DEPTHS = {"LineString": 0, "MultiLineString": 1, "Polygon": 1, "MultiPolygon": 2}
# Beyond 180 stand the files that do not split at the date line; beyond 360 stand mistakes, such as metres.
LONGITUDE_LIMIT_DEGREES = 360.0
WIDEST_LINE_DEGREES = 720.0


@dataclass(frozen=True, eq=False)
class Shapes:
    """What a file holds to be drawn.

    Attributes:
        polygons: each a tuple of closed rings, the outer one first and then its holes; a ring has shape (n, 2),
            longitude and latitude in degrees.
        lines: each of shape (n, 2).
    """

    polygons: tuple[tuple[Positions, ...], ...]
    lines: tuple[Positions, ...]

    @cached_property
    def closed_polygons(self) -> tuple[tuple[Positions, ...], ...]:
        """The polygons with the rings that they mean, in unbroken longitudes."""
        return tuple(tuple(close(ring) for ring in rings) for rings in self.polygons)


@cache
def read_land(name: Land) -> Shapes:
    """The land that comes with the product."""
    return read_geojson((resources.files("machines") / "data" / f"{name}.geojson").read_bytes())


@lru_cache(maxsize=2)
def read_geojson(data: bytes) -> Shapes:
    """Read the polygons and lines of a file. The last ones are kept, as a picture that changes is drawn every turn.

    Raises:
        InputError: names the place, such as ``features[3].geometry.coordinates[0][17]``, and what is wrong with it.
    """
    polygons: list[tuple[Positions, ...]] = []
    lines: list[Positions] = []
    geometries = list(_geometries(_parse(data), "", 0))
    _require_few(geometries)
    for path, geometry in geometries:
        for drawn in _parts(geometry, path):
            if isinstance(drawn, tuple):
                polygons.append(drawn)
            else:
                lines.append(drawn)
    if not polygons and not lines:
        _refuse("", "nothing to draw", "give a file with polygons or lines")
    _require_few_steps([*lines, *chain.from_iterable(polygons)])
    return Shapes(tuple(polygons), tuple(lines))


def _require_few(geometries: list[tuple[str, dict[str, Any]]]) -> None:
    """See that there are not too many rings, lines and positions, before any of them is read."""
    shapes = positions = 0
    for path, geometry in geometries:
        for line in _nested(geometry.get("coordinates"), _DEPTHS.get(geometry["type"], 0)):
            shapes, positions = shapes + 1, positions + len(line)
        for count, most, what in ((positions, MOST_POSITIONS, "positions"), (shapes, MOST_SHAPES, "rings and lines")):
            if count > most:
                _refuse(_join(path, "coordinates"), f"more than {most:,} {what}", "give a coarser file")


def _nested(thing: Any, depth: int) -> Iterator[list[Any]]:
    """The arrays so deep within another; what is none is refused later, where it is read."""
    if not isinstance(thing, list):
        return
    if depth == 0:
        yield thing
        return
    for part in thing:
        yield from _nested(part, depth - 1)


def _require_few_steps(lines: list[Positions]) -> None:
    """See that edges are not so long and sloping that they become too many when they are drawn."""
    edges = np.abs(np.diff(np.concatenate(lines), axis=0)).min(axis=1)
    edges[np.cumsum([len(line) for line in lines])[:-1] - 1] = 0.0  # from one line to the next
    if np.ceil(edges).sum() > MOST_STEPS:
        _refuse("", f"more than {MOST_STEPS:,} degrees of sloping edges", "give shorter edges")


def _refuse(field: str, problem: str, remedy: str) -> NoReturn:
    raise InputError(field, problem, remedy)


def _parse(data: bytes) -> Any:
    if len(data) > LARGEST_FILE_BYTES:
        _refuse("", f"{len(data):,} bytes", f"give a file of at most {LARGEST_FILE_BYTES:,} bytes")
    if data.count(b"[") > MOST_ARRAYS or data.count(b"{") > MOST_OBJECTS:
        many = f"more than {MOST_ARRAYS:,} arrays or {MOST_OBJECTS:,} objects"
        _refuse("", many, f"give at most {MOST_POSITIONS:,} positions and {MOST_SHAPES:,} shapes")
    try:
        return json.loads(data.decode("utf-8-sig"), parse_constant=_no_constant)
    except RecursionError:
        _refuse("", "nested too deeply", "give GeoJSON by RFC 7946")
    except ValueError as error:
        if isinstance(error, InputError):
            raise
        _refuse("", f"not JSON ({error})", "give GeoJSON by RFC 7946, in UTF-8")


def _no_constant(name: str) -> NoReturn:
    _refuse("", f"{name} is no JSON number", "give finite numbers")


def _member(owner: dict[str, Any], name: str, path: str, kind: type) -> Any:
    value = owner.get(name)
    if not isinstance(value, kind):
        word = "an array" if kind is list else "text"
        _refuse(_join(path, name), "missing" if name not in owner else f"not {word}", f"give {word}")
    return value


def _join(path: str, name: str) -> str:
    return f"{path}.{name}" if path else name


def _geometries(thing: Any, path: str, depth: int) -> Iterator[tuple[str, dict[str, Any]]]:
    """Every plain geometry in the thing, with its path."""
    if not isinstance(thing, dict):
        _refuse(path, "not an object", "give a GeoJSON object")
    if depth > DEEPEST_COLLECTION:
        _refuse(path, "collections nested too deeply", f"nest at most {DEEPEST_COLLECTION}")
    kind = _member(thing, "type", path, str)
    if kind == "FeatureCollection":
        for index, feature in enumerate(_member(thing, "features", path, list)):
            yield from _geometries(feature, f"{_join(path, 'features')}[{index}]", depth + 1)
    elif kind == "Feature":
        if thing.get("geometry") is not None:  # a feature without a place is allowed, and draws nothing
            yield from _geometries(thing["geometry"], _join(path, "geometry"), depth + 1)
    elif kind == "GeometryCollection":
        for index, geometry in enumerate(_member(thing, "geometries", path, list)):
            yield from _geometries(geometry, f"{_join(path, 'geometries')}[{index}]", depth + 1)
    else:
        yield path, thing


def _parts(geometry: dict[str, Any], path: str) -> Iterator[tuple[Positions, ...] | Positions]:
    """The polygons (tuples of rings) and lines of one geometry."""
    kind = geometry["type"]
    if kind not in _DEPTHS:
        _refuse(_join(path, "type"), f"{kind!r} cannot be drawn", "give polygons and lines")
    coordinates = _member(geometry, "coordinates", path, list)
    place = _join(path, "coordinates")
    many = enumerate(coordinates) if kind.startswith("Multi") else [(None, coordinates)]
    for index, part in many:
        here = place if index is None else f"{place}[{index}]"
        yield _polygon(part, here) if kind.endswith("Polygon") else _line(part, here, 2)


def _polygon(rings: Any, path: str) -> tuple[Positions, ...]:
    if not isinstance(rings, list) or not rings:
        _refuse(path, "not an array of rings", "give an array of closed rings")
    return tuple(_ring(ring, f"{path}[{index}]") for index, ring in enumerate(rings))


def _ring(ring: Any, path: str) -> Positions:
    positions = _line(ring, path, 4)
    if not np.array_equal(positions[0], positions[-1]):
        _refuse(f"{path}[{len(positions) - 1}]", "the ring is not closed", "repeat the first position at its end")
    return positions


def _line(line: Any, path: str, fewest: int) -> Positions:
    if not isinstance(line, list):
        _refuse(path, "not an array of positions", "give an array of positions")
    if len(line) < fewest:
        _refuse(path, f"{len(line)} positions", f"give at least {fewest}")
    positions = _all_positions(line)
    if positions is None:  # which names the first that is none
        named = [_position(position, path, index) for index, position in enumerate(line)]
        positions = np.array(named, dtype=np.float64)
    if np.ptp(unwrap(positions)[:, 0]) > WIDEST_LINE_DEGREES:
        _refuse(path, "runs round the Earth more than twice", "give longitudes that do not jump to and fro")
    return positions


def _all_positions(line: list[Any]) -> Positions | None:
    """Longitudes and latitudes of a line all at once; None where one of them is no position."""
    try:
        pairs = [position[:2] for position in line]
        if not set(map(type, pairs)) <= {list} or not set(map(type, chain.from_iterable(pairs))) <= {int, float}:
            return None
        positions = np.array(pairs, dtype=np.float64)
    except (TypeError, ValueError, KeyError, OverflowError):
        return None
    if positions.ndim != 2 or positions.shape[1] != 2:
        return None
    within = np.abs(positions).max(axis=0) <= (LONGITUDE_LIMIT_DEGREES, 90.0)
    return positions if within.all() else None


def _position(position: Any, path: str, index: int) -> tuple[float, float]:
    """Longitude and latitude; an elevation after them is allowed, and not used."""
    if isinstance(position, list) and len(position) >= 2:
        longitude, latitude = position[0], position[1]
        if _is_within(longitude, LONGITUDE_LIMIT_DEGREES) and _is_within(latitude, 90.0):
            return longitude, latitude
    remedy = "give [longitude, latitude] in degrees, at most 360 and 90 from zero"
    _refuse(f"{path}[{index}]", f"{_shown(position)} is no position", remedy)


def _is_within(value: Any, limit: float) -> bool:
    return type(value) in (int, float) and abs(value) <= limit and math.isfinite(value)


def _shown(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."
