import json

import pytest

from services.domain.ownmap import parse_own_map
from services.errors import ConfigurationError


def parsed(document):
    return parse_own_map(json.dumps(document), name="map.geojson")


def feature(shape, coordinates, **properties):
    return {
        "type": "Feature",
        "properties": properties,
        "geometry": {"type": shape, "coordinates": coordinates},
    }


def collection(*features):
    return {"type": "FeatureCollection", "features": list(features)}


def test_points_lines_and_areas_are_taken_with_name_and_kind():
    found = parsed(
        collection(
            feature("Point", [25.1, -17.8, 900], name="North gate", kind="gate"),
            feature("LineString", [[25, -17], [25.5, -17.5]], kind="track"),
            feature("Polygon", [[[25, -18], [26, -18], [26, -17], [25, -18]]], name="Reserve"),
            feature("MultiLineString", [[[1, 2], [3, 4]], [[5, 6], [7, 8]]]),
        )
    )
    assert [(f.shape, f.name, f.kind, len(f.lines)) for f in found.features] == [
        ("point", "North gate", "gate", 1),
        ("line", "", "track", 1),
        ("area", "Reserve", "", 1),
        ("line", "", "", 2),
    ]
    assert found.features[0].lines == (((25.1, -17.8),),)


def test_a_single_feature_a_collection_of_shapes_and_nothing_at_all_are_taken():
    assert len(parsed(feature("Point", [0, 0])).features) == 1
    both = {
        "type": "GeometryCollection",
        "geometries": [
            {"type": "Point", "coordinates": [0, 0]},
            {"type": "LineString", "coordinates": [[0, 0], [1, 1]]},
        ],
    }
    assert len(parsed(collection({"type": "Feature", "properties": None, "geometry": both})).features) == 2
    assert parsed(collection({"type": "Feature", "properties": {}, "geometry": None})).features == ()
    assert parsed(collection()).features == ()


@pytest.mark.parametrize(
    ("document", "place", "words"),
    [
        ([], "map.geojson", "must be a GeoJSON object"),
        ({"type": "Topology"}, "type", "must be FeatureCollection or Feature"),
        ({"type": "FeatureCollection"}, "features", "must be a list"),
        (collection({"type": "Point"}), "features[0]", "must be a Feature"),
        (collection(feature("Circle", [0, 0])), "features[0].geometry.type", "'Circle' is no geometry"),
        (
            collection(feature("Point", [0, 0]), feature("LineString", [[0, 0], [250, 0]])),
            "features[1].geometry.coordinates[1]",
            "longitude 250 lies beyond 180",
        ),
        (collection(feature("Point", [-17.8, 125.2])), "coordinates", "longitude comes first"),
        (collection(feature("Point", ["25", "-17"])), "coordinates", "must be [longitude, latitude]"),
        (collection(feature("Point", [True, False])), "coordinates", "must be [longitude, latitude]"),
        (collection(feature("LineString", 5)), "coordinates", "must be a list of positions"),
        ({**collection(), "crs": {}}, "crs", "WGS 84"),
    ],
)
def test_a_fault_is_told_with_its_place(document, place, words):
    with pytest.raises(ConfigurationError) as caught:
        parsed(document)
    assert place in str(caught.value)
    assert words in str(caught.value)
    assert "map.geojson" in str(caught.value)


def test_what_is_no_json_is_told_with_its_line():
    with pytest.raises(ConfigurationError, match=r"line 2, map.geojson, column \d+: is not JSON"):
        parse_own_map('{"type":\n oops}', name="map.geojson")
    with pytest.raises(ConfigurationError, match="nested too deeply"):
        parse_own_map("[" * 100_000, name="map.geojson")
    with pytest.raises(ConfigurationError):
        parse_own_map('{"type":"Feature","geometry":{"type":"Point","coordinates":[NaN,0]}}', name="m")
