"""An operator's own map: GeoJSON with tracks, gates and camps, checked before anything is drawn."""

import json
from typing import Any, Literal, NamedTuple

from services.domain._frozen import Frozen
from services.errors import ConfigurationError

Shape = Literal["point", "line", "area"]
LonLat = tuple[float, float]

MOST_POSITIONS = 200_000
_SHAPES: dict[str, tuple[Shape, int]] = {
    "Point": ("point", 0),
    "MultiPoint": ("point", 1),
    "LineString": ("line", 1),
    "MultiLineString": ("line", 2),
    "Polygon": ("area", 2),
    "MultiPolygon": ("area", 3),
}
"""By type of geometry (RFC 7946, 3.1): how it is drawn, and how deep its positions lie."""


class Feature(Frozen):
    """One thing on the map."""

    shape: Shape
    name: str
    kind: str
    """``track``, ``gate``, ``camp``, …: the feature's own ``kind``, empty where it has none."""
    lines: tuple[tuple[LonLat, ...], ...]
    """Its positions, longitude first, one run for each line or ring. [°]"""


class OwnMap(Frozen):
    """Everything of a map file that can be drawn."""

    features: tuple[Feature, ...]


class _Reader:
    """Reads one document and knows where it is in it."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._count = 0

    def fault(self, path: str, words: str) -> ConfigurationError:
        return ConfigurationError(words, setting=f"{self._name}, {path}" if path else self._name)

    def features(self, document: object) -> tuple[Feature, ...]:
        if not isinstance(document, dict):
            raise self.fault("", "must be a GeoJSON object (RFC 7946)")
        kind = document.get("type")
        if kind == "Feature":
            return self._feature(document, "")
        if kind != "FeatureCollection":
            raise self.fault("type", f"must be FeatureCollection or Feature, not {kind!r}")
        if "crs" in document:
            raise self.fault("crs", "positions must be longitude and latitude in WGS 84 (RFC 7946, 4)")
        members = document.get("features")
        if not isinstance(members, list):
            raise self.fault("features", "must be a list")
        return tuple(
            found for at, member in enumerate(members) for found in self._feature(member, f"features[{at}]")
        )

    def _feature(self, member: object, path: str) -> tuple[Feature, ...]:
        if not isinstance(member, dict) or member.get("type") != "Feature":
            raise self.fault(path, "must be a Feature")
        told = member.get("properties") or {}
        if not isinstance(told, dict):
            raise self.fault(f"{path}.properties", "must be an object or null")
        geometry = member.get("geometry")
        if geometry is None:
            return ()
        words = {
            key: str(told[key])[:60] if isinstance(told.get(key), str) else "" for key in ("name", "kind")
        }
        where = f"{path}.geometry".lstrip(".")
        return tuple(Feature(shape=s, lines=lines, **words) for s, lines in self._geometry(geometry, where))

    def _geometry(self, found: object, path: str) -> list[tuple[Shape, tuple[tuple[LonLat, ...], ...]]]:
        if not isinstance(found, dict):
            raise self.fault(path, "must be an object")
        kind = found.get("type")
        if kind == "GeometryCollection":
            inner = found.get("geometries")
            if not isinstance(inner, list):
                raise self.fault(f"{path}.geometries", "must be a list")
            return [
                each
                for at, one in enumerate(inner)
                for each in self._geometry(one, f"{path}.geometries[{at}]")
            ]
        if not isinstance(kind, str) or kind not in _SHAPES:
            raise self.fault(f"{path}.type", f"{kind!r} is no geometry; known: {', '.join(_SHAPES)}")
        shape, depth = _SHAPES[kind]
        return [(shape, tuple(self._runs(found.get("coordinates"), depth, f"{path}.coordinates")))]

    def _runs(self, found: Any, depth: int, path: str) -> list[tuple[LonLat, ...]]:  # noqa: ANN401 - JSON
        if depth == 0:
            return [(self._position(found, path),)]
        if not isinstance(found, list):
            raise self.fault(path, "must be a list of positions")
        if depth == 1:
            return [tuple(self._position(one, f"{path}[{at}]") for at, one in enumerate(found))]
        return [run for at, one in enumerate(found) for run in self._runs(one, depth - 1, f"{path}[{at}]")]

    def _position(self, found: object, path: str) -> LonLat:
        self._count += 1
        if self._count > MOST_POSITIONS:
            raise self.fault(path, f"a map of more than {MOST_POSITIONS} positions is too heavy to be drawn")
        numbers = found if isinstance(found, list) else []
        if len(numbers) < 2 or not all(type(n) in {int, float} for n in numbers[:2]):  # noqa: PLR2004 - a pair
            raise self.fault(path, "must be [longitude, latitude]")
        longitude, latitude = float(numbers[0]), float(numbers[1])
        if not -180 <= longitude <= 180:  # noqa: PLR2004 - degrees
            raise self.fault(path, f"longitude {longitude:g} lies beyond 180")
        if not -90 <= latitude <= 90:  # noqa: PLR2004 - degrees
            swapped = "; longitude comes first" if -90 <= longitude <= 90 else ""  # noqa: PLR2004 - degrees
            raise self.fault(path, f"latitude {latitude:g} lies beyond 90{swapped}")
        return longitude, latitude


def parse_own_map(text: str, *, name: str) -> OwnMap:
    """Return an operator's own map.

    Raises
    ------
    ConfigurationError
        Naming the file, the place in it and what is wrong; nothing of the file is taken then.
    """
    try:
        document = json.loads(text)
    except json.JSONDecodeError as error:
        raise ConfigurationError(
            f"is not JSON: {error.msg}", setting=f"{name}, column {error.colno}", line=error.lineno
        ) from error
    except RecursionError as error:
        raise ConfigurationError("is nested too deeply", setting=name) from error
    return OwnMap(features=_Reader(name).features(document))


class Fix(NamedTuple):
    """Where a unit was, as coarsely as it may be told, and when."""

    t_ms: int
    latitude_deg: float
    longitude_deg: float
