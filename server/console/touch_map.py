"""A map of the world that visitors touch to ask about a place. It is a picture on a button, which needs no script.

The form says where the picture was touched in pixels of it, and nothing of how wide it was: so it is drawn as wide as
its name says, the narrower for telephones.
"""

from __future__ import annotations

from dataclasses import dataclass

from django.http import QueryDict

from server.console.world_map import HEIGHT, WIDTH, land_path, units_east

NARROW_PX, WIDE_PX = 320, 720


@dataclass(frozen=True)
class TouchSize:
    """A width in which the map is drawn, and the height that goes with it, pixels."""

    width: int

    @property
    def height(self) -> int:
        """As the map is."""
        return round(self.width * HEIGHT / WIDTH)


@dataclass(frozen=True)
class TouchMap:
    """The map.

    Attributes:
        at: the meridian that was asked about, units of the drawing; None where none was.
    """

    at: float | None
    width: int = WIDTH
    height: int = HEIGHT
    sizes: tuple[TouchSize, ...] = (TouchSize(NARROW_PX), TouchSize(WIDE_PX))

    @property
    def land(self) -> str:
        """Its land as a path in halves of a unit."""
        return land_path()


def touch_map(longitude_degrees: float | None) -> TouchMap:
    """The map with a meridian, east positive."""
    return TouchMap(None if longitude_degrees is None else units_east(longitude_degrees))


def touched(get: QueryDict) -> QueryDict | None:
    """What an address with a touch on the map asks for, in numbers; None where it has none.

    A press by the keyboard says the corner, which is no place: it asks for nothing.
    """
    for width in (NARROW_PX, WIDE_PX):
        x, y = (get.get(f"touch{width}.{axis}", "") for axis in "xy")
        if not x:
            continue
        asked = get.copy()
        for name in [name for name in asked if name.startswith("touch") or name in ("place", "which")]:
            del asked[name]
        is_within = x.isdecimal() and len(x) < 5 and int(x) < width
        if is_within and (x, y) != ("0", "0"):
            asked["place"] = f"{round((int(x) + 0.5) / width * 360.0 - 180.0, 1):g}"
        return asked
    return None
