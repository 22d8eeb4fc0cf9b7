from __future__ import annotations

from io import BytesIO
from xml.etree import ElementTree

import numpy as np
import pytest
from PIL import Image

from scheduling.sky.places import Place
from scheduling.sky.zones import zone
from server.sky_report.canvas import PngCanvas, SvgCanvas
from server.sky_report.year_chart import _LIGHT, HEIGHT, WIDTH, year_png, year_svg
from server.sky_report.year_of_light import LightYear, light_year

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def lisbon() -> LightYear:
    return light_year(Place(38.72, -9.14), zone("Europe/Lisbon"), 2026)


@pytest.fixture(scope="module")
def tromso() -> LightYear:
    return light_year(Place(69.65, 18.96), zone("Europe/Oslo"), 2026)


def texts(svg: bytes) -> list[str]:
    return [element.text or "" for element in ElementTree.fromstring(svg).iter(f"{SVG}text")]


def pixels(png: bytes) -> np.ndarray:
    return np.asarray(Image.open(BytesIO(png)).convert("RGB"))


def near(colour: np.ndarray, wanted: str) -> bool:
    rgb = [int(wanted[index : index + 2], 16) for index in (1, 3, 5)]
    return bool(np.abs(colour.astype(int) - rgb).max() < 12)


# The sheet.


def test_svg_is_well_formed_and_escapes_what_it_is_given() -> None:
    canvas = SvgCanvas(100, 50, "a <title> & more")
    canvas.rectangles([(0, 0, 10, 10), (20, 0, 30, 10)], "#ff0000", 0.5)
    canvas.rectangles([], "#00ff00")
    canvas.polygon([(0, 0), (1, 0), (1, 1)], "#00ff00")
    canvas.line([(0, 0), (5, 5)], "#0000ff", 2.0, 0.25)
    canvas.circle((5, 5), 2, "#000000")
    canvas.text((1, 2), "<&>", 12, "#000000", "middle")
    root = ElementTree.fromstring(canvas.encode())
    assert root.get("viewBox") == "0 0 100 50"
    assert [child.tag.removeprefix(SVG) for child in root] == ["title", "path", "polygon", "polyline", "circle", "text"]
    assert root[0].text == "a <title> & more"
    assert root[-1].text == "<&>"
    assert root[1].get("fill-opacity") == "0.500"


def test_png_draws_where_it_is_told() -> None:
    canvas = PngCanvas(40, 20)
    canvas.rectangles([(0, 0, 10, 20)], "#ff0000")
    canvas.rectangles([(10, 0, 20, 20)], "#000000", 0.5)
    canvas.rectangles([(30, 0, 30, 20)], "#0000ff")  # nothing wide
    canvas.circle((25, 10), 3, "#00ff00")
    canvas.polygon([(32, 5), (39, 5), (39, 15), (32, 15)], "#0000ff")
    drawn = pixels(canvas.encode())
    assert drawn.shape == (20, 40, 3)
    assert near(drawn[10, 5], "#ff0000")
    assert near(drawn[10, 15], "#7f7f7f")
    assert near(drawn[10, 25], "#00ff00")
    assert near(drawn[10, 36], "#0000ff")
    assert near(drawn[1, 29], "#ffffff")


def test_png_lines_and_text_leave_ink() -> None:
    canvas = PngCanvas(60, 30)
    canvas.line([(5, 5), (55, 5)], "#000000", 2.0)
    canvas.text((30, 25), "noon", 12, "#000000", "middle")
    drawn = pixels(canvas.encode())
    assert near(drawn[5, 30], "#000000")
    columns = np.flatnonzero((drawn[15:28] < 128).any(axis=(0, 2)))
    assert 10 < columns.min() < 30 < columns.max() < 50


# The picture.


def test_the_svg_says_what_is_to_be_seen(lisbon: LightYear) -> None:
    words = texts(year_svg(lisbon, "Lisbon & Tagus"))
    assert "Lisbon & Tagus, 2026" in words
    assert {"Jan", "Dec", "00:00", "24:00", "12 h"} <= set(words)
    assert {"day", "civil twilight", "nautical twilight", "astronomical twilight", "night", "solar noon"} <= set(words)
    assert "clocks forward 60 min, 29 Mar" in words
    assert "clocks back 60 min, 25 Oct" in words
    assert "June solstice 21 Jun" in words
    assert any(text.startswith("longest 14 h 5") and text.endswith("21 Jun") for text in words)
    assert any(text.startswith("shortest 9 h 27 min") for text in words)


def test_the_svg_draws_every_phase_of_the_moon(lisbon: LightYear) -> None:
    root = ElementTree.fromstring(year_svg(lisbon, "Lisbon"))
    phases = [event for event in lisbon.events if event.kind.endswith(("-moon", "-quarter"))]
    assert len(list(root.iter(f"{SVG}circle"))) == len(phases)
    dark = sum(event.kind == "new-moon" for event in phases)
    assert len(list(root.iter(f"{SVG}polygon"))) == len(phases) - dark


def test_a_polar_year_says_how_long_the_sun_stays_up_and_down(tromso: LightYear) -> None:
    words = texts(year_svg(tromso, "Tromso"))
    assert any(text.startswith("the Sun up all day on 6") for text in words)
    assert any(text.startswith("the Sun down all day on 4") for text in words)


def test_the_png_shows_day_and_night_at_their_hours(lisbon: LightYear) -> None:
    drawn = pixels(year_png(lisbon, "Lisbon"))
    assert drawn.shape == (HEIGHT, WIDTH, 3)

    def at(day: float, hour: float) -> np.ndarray:
        return drawn[round(132 + 480 * hour / 24), round(72 + 1216 * day / 365)]

    assert near(at(165.5, 15.7), _LIGHT["day"])  # near new Moon, and so the others
    assert near(at(15.5, 2.0), _LIGHT["night"])
    assert near(at(16.5, 22.5), _LIGHT["night"])
    assert near(at(343.3, 17.5), _LIGHT["civil twilight"])


@pytest.mark.parametrize("name", ["Lord_Howe", "Santiago"])
def test_any_place_can_be_drawn_both_ways(name: str) -> None:
    where = {
        "Lord_Howe": (Place(-31.55, 159.08), "Australia/Lord_Howe"),
        "Santiago": (Place(-33.4, -70.7), "America/Santiago"),
    }
    place, zone_name = where[name]
    year = light_year(place, zone(zone_name), 2026)
    assert texts(year_svg(year, name))
    assert pixels(year_png(year, name)).std() > 40.0
