"""GeoJSON from strangers: what is read, and what is refused where."""

import contextlib
import json
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from machines.errors import InputError
from machines.imaging.pictures import geojson
from machines.imaging.pictures.geojson import read_geojson, read_land

SQUARE = [[0, 0], [10, 0], [10, 10], [0, 10], [0, 0]]


def read(thing: Any) -> Any:
    return read_geojson(json.dumps(thing).encode())


def feature(geometry: Any) -> Any:
    return {"type": "Feature", "properties": {}, "geometry": geometry}


def polygon(*rings: Any) -> Any:
    return {"type": "Polygon", "coordinates": list(rings)}


def collection(*features: Any) -> Any:
    return {"type": "FeatureCollection", "features": list(features)}


def test_a_bare_polygon() -> None:
    shapes = read(polygon(SQUARE))
    assert np.array_equal(shapes.polygons[0][0], np.array(SQUARE, dtype=float))
    assert shapes.lines == ()


def test_everything_that_can_be_nested() -> None:
    line = {"type": "LineString", "coordinates": [[0, 0], [1, 1]]}
    lines = {"type": "MultiLineString", "coordinates": [line["coordinates"], [[2, 2], [3, 3], [4, 4]]]}
    many = {"type": "MultiPolygon", "coordinates": [[SQUARE], [SQUARE, SQUARE]]}
    geometries = {"type": "GeometryCollection", "geometries": [line, polygon(SQUARE)]}
    shapes = read(collection(feature(lines), feature(many), feature(geometries), feature(None)))
    assert [len(line) for line in shapes.lines] == [2, 3, 2]
    assert [len(rings) for rings in shapes.polygons] == [1, 2, 1]


def test_an_elevation_is_allowed_and_not_used() -> None:
    shapes = read({"type": "LineString", "coordinates": [[1, 2, 300], [3, 4]]})
    assert shapes.lines[0].tolist() == [[1, 2], [3, 4]]


def test_a_byte_order_mark_is_forgiven() -> None:
    assert read_geojson(b"\xef\xbb\xbf" + json.dumps(polygon(SQUARE)).encode()).polygons


@pytest.mark.parametrize("name", ["land-50m", "land-110m"])
def test_the_land_that_comes_with_the_product(name: str) -> None:
    shapes = read_land(name)
    assert len(shapes.polygons) > 100
    assert read_land(name) is shapes


def with_position(position: Any, index: int = 2) -> Any:
    ring = [*SQUARE]
    ring[index] = position
    return collection(feature(polygon(SQUARE)), feature(polygon(SQUARE, ring)))


PATH = "features[1].geometry.coordinates[1]"

REFUSED = [
    (collection(), "", "nothing to draw"),
    ([1, 2], "", "not an object"),
    ({"features": []}, "type", "missing"),
    ({"type": 3}, "type", "not text"),
    ({"type": "FeatureCollection", "features": {}}, "features", "not an array"),
    (collection(7), "features[0]", "not an object"),
    (collection(feature({"type": "Point", "coordinates": [0, 0]})), "features[0].geometry.type", "'Point' cannot"),
    (collection(feature({"type": "Polygon"})), "features[0].geometry.coordinates", "missing"),
    (polygon(), "coordinates", None),
    (polygon(7), "coordinates[0]", "not an array of positions"),
    (polygon(SQUARE[:3]), "coordinates[0]", "3 positions"),
    (polygon(SQUARE[:4]), "coordinates[0][3]", "not closed"),
    ({"type": "MultiPolygon", "coordinates": [[SQUARE], 5]}, "coordinates[1]", "not an array of rings"),
    ({"type": "LineString", "coordinates": [[0, 0]]}, "coordinates", "1 positions"),
    (with_position([400, 0]), PATH + "[2]", "[400, 0] is no position"),
    (with_position([0, 90.5]), PATH + "[2]", "no position"),
    (with_position(["1", 2]), PATH + "[2]", "no position"),
    (with_position([True, 2]), PATH + "[2]", "no position"),
    (with_position([1]), PATH + "[2]", "no position"),
    (with_position(None), PATH + "[2]", "None is no position"),
    (with_position([1e400, 0]), "", "Infinity is no JSON number"),
    (with_position(["x" * 500, 0]), PATH + "[2]", "..."),
    ({"type": "LineString", "coordinates": [[x % 360, 0] for x in range(0, 3600, 170)]}, "coordinates", "runs round"),
]


@pytest.mark.parametrize(("thing", "field", "problem"), REFUSED)
def test_what_is_wrong_is_named_with_its_place(thing: Any, field: str, problem: str | None) -> None:
    with pytest.raises(InputError) as caught:
        read(thing)
    assert caught.value.field == field
    assert problem is None or problem in caught.value.problem
    assert len(str(caught.value)) < 300


@pytest.mark.parametrize(
    "data",
    [b"", b"\xff\xfe", b"{", b'{"type": "Polygon", "coordinates": [NaN]}', b"[" * 100_000, b'{"a":' * 100_000],
    ids=["empty", "bytes", "cut short", "not a number", "deep arrays", "deep objects"],
)
def test_what_is_no_json_is_refused(data: Any) -> None:
    with pytest.raises(InputError):
        read_geojson(data)


def test_a_huge_number_is_refused_and_no_traceback() -> None:
    with pytest.raises(InputError, match=r"coordinates\[0\]: "):
        read_geojson(b'{"type":"LineString","coordinates":[[1' + b"0" * 400 + b",0],[0,0]]}")


def test_collections_nested_without_end() -> None:
    geometry = polygon(SQUARE)
    for _ in range(geojson.DEEPEST_COLLECTION + 1):
        geometry = {"type": "GeometryCollection", "geometries": [geometry]}
    with pytest.raises(InputError, match="nested too deeply"):
        read(geometry)


def test_a_file_too_large_is_not_even_parsed() -> None:
    with pytest.raises(InputError, match="bytes"):
        read_geojson(b" " * (geojson.LARGEST_FILE_BYTES + 1))


def test_too_many_positions(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(geojson, "MOST_POSITIONS", 9)
    with pytest.raises(InputError, match="more than 9 positions") as caught:
        read(collection(feature(polygon(SQUARE)), feature(polygon(SQUARE))))
    assert caught.value.field == "features[1].geometry.coordinates"


ANYTHING = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats(allow_nan=False)
    | st.sampled_from(["Polygon", "Feature", "x"]),
    lambda inner: (
        st.lists(inner, max_size=5)
        | st.dictionaries(
            st.sampled_from(["type", "coordinates", "features", "geometry", "geometries"]), inner, max_size=4
        )
    ),
    max_leaves=20,
)
TYPES = [
    "Polygon",
    "MultiPolygon",
    "LineString",
    "MultiLineString",
    "Feature",
    "FeatureCollection",
    "GeometryCollection",
]


@settings(deadline=None)
@given(kind=st.sampled_from(TYPES), member=st.sampled_from(["coordinates", "features", "geometry"]), inner=ANYTHING)
def test_any_json_is_read_or_refused_and_nothing_else(kind: str, member: str, inner: Any) -> None:
    with contextlib.suppress(InputError):
        assert read({"type": kind, member: inner})
