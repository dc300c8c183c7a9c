"""A map as plain SVG shapes: what the operator drew, places, and vehicles where that is allowed."""

import math
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from services.domain.ownmap import Feature, LonLat

WIDTH, TALLEST, LOWEST = 720.0, 720.0, 240.0
_MARGIN = 28.0
_SMALLEST_DEG = 0.05
"""A map of one place shows its surroundings too."""
_CLOSE = 14.0
"""Labels nearer than this to one another are moved apart, downwards."""


class Path(NamedTuple):
    """A line or an area."""

    d: str
    kind: str
    shape: str
    name: str


class Pin(NamedTuple):
    """Something at a point."""

    x: float
    y: float
    label_y: float
    left: bool
    """Whether its label stands on its left."""
    name: str
    href: str
    mark: str
    kind: str
    """place, vehicle, or what the own map calls it."""
    note: str


class Place(NamedTuple):
    """Something to be pinned."""

    at: LonLat
    name: str
    href: str
    mark: str
    kind: str
    note: str


class Picture(NamedTuple):
    """A drawn map."""

    paths: tuple[Path, ...]
    pins: tuple[Pin, ...]
    width: float
    height: float


class _Frame(NamedTuple):
    west: float
    north: float
    scale: float
    squeeze: float
    """How much shorter a degree of longitude is here than one of latitude."""
    height: float

    def xy(self, at: LonLat) -> tuple[float, float]:
        x = (at[0] - self.west) * self.squeeze * self.scale + _MARGIN
        return round(x, 1), round((self.north - at[1]) * self.scale + _MARGIN, 1)


def _frame(points: Sequence[LonLat]) -> _Frame:
    lon, lat = [p[0] for p in points], [p[1] for p in points]
    squeeze = max(0.1, math.cos(math.radians((min(lat) + max(lat)) / 2)))
    wide = max((max(lon) - min(lon)) * squeeze, _SMALLEST_DEG)
    high = max(max(lat) - min(lat), _SMALLEST_DEG)
    scale = min((WIDTH - 2 * _MARGIN) / wide, (TALLEST - 2 * _MARGIN) / high)
    height = min(TALLEST, max(LOWEST, high * scale + 2 * _MARGIN))
    middle_lon, middle_lat = (min(lon) + max(lon)) / 2, (min(lat) + max(lat)) / 2
    return _Frame(
        west=middle_lon - (WIDTH - 2 * _MARGIN) / (2 * scale * squeeze),
        north=middle_lat + (height - 2 * _MARGIN) / (2 * scale),
        scale=scale,
        squeeze=squeeze,
        height=round(height, 1),
    )


def _path(feature: Feature, frame: _Frame) -> Path:
    parts = []
    for run in feature.lines:
        drawn = list(dict.fromkeys(frame.xy(at) for at in run))
        if drawn:
            parts.append("M" + "L".join(f"{x:g} {y:g}" for x, y in drawn))
            if feature.shape == "area":
                parts.append("Z")
    return Path("".join(parts), feature.kind, feature.shape, feature.name)


def _pins(places: Iterable[Place], frame: _Frame) -> tuple[Pin, ...]:
    found: list[Pin] = []
    for place in sorted(places, key=lambda one: -one.at[1]):
        x, y = frame.xy(place.at)
        label_y = y + 4.0
        while any(abs(label_y - pin.label_y) < _CLOSE and abs(x - pin.x) < WIDTH / 4 for pin in found):
            label_y += _CLOSE
        found.append(
            Pin(
                x,
                y,
                round(label_y, 1),
                x > 0.7 * WIDTH,
                place.name,
                place.href,
                place.mark,
                place.kind,
                place.note,
            )
        )
    return tuple(found)


def picture(features: Sequence[Feature], places: Sequence[Place]) -> Picture | None:
    """Return a drawn map, None where nothing has a position.

    Longitudes are squeezed by the cosine of the middle latitude, which is true to shape over a reserve
    and good enough over a country; a map that crosses 180° is not looked for.
    """
    points = [at for feature in features for run in feature.lines for at in run]
    points += [place.at for place in places]
    if not points:
        return None
    frame = _frame(points)
    drawn = [feature for feature in features if feature.shape != "point"]
    own = [
        Place(at, feature.name, "", "", feature.kind or "own", "")
        for feature in features
        if feature.shape == "point"
        for run in feature.lines
        for at in run
    ]
    order = {"area": 0, "line": 1}
    paths = (_path(feature, frame) for feature in sorted(drawn, key=lambda one: order[one.shape]))
    pins = _pins([*own, *places], frame)
    height = max(frame.height, *(pin.label_y + 10.0 for pin in pins)) if pins else frame.height
    return Picture(tuple(paths), pins, WIDTH, round(height, 1))
