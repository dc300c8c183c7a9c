import json
import os

import pytest

from deploy.maproom import MapRoom
from services.errors import ConfigurationError
from services.store.sqlite import SqliteReader, SqliteStore
from services.telemetry import Sample
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS
from tests.helpers.larder import NOW_MS


def gate(name):
    point = {
        "type": "Feature",
        "properties": {"name": name},
        "geometry": {"type": "Point", "coordinates": [25, -17]},
    }
    return json.dumps({"type": "FeatureCollection", "features": [point]})


def sample(sq, ago_ms, **values):
    return Sample(unit="v3-meat", bid=1, sq=sq, t_ms=NOW_MS - ago_ms, tq=2, values={"cabinet": 3.0, **values})


@pytest.fixture
def store(tmp_path):
    found = SqliteStore(tmp_path / "telemetry.db")
    found.append(
        [
            sample(0, 3 * HOUR_MS, lat=-17.811, lon=25.014),
            sample(1, HOUR_MS, lat=-17.8634, lon=25.1377),
            sample(2, MINUTE_MS),
        ],
        received_ms=NOW_MS,
    )
    reader = SqliteReader(tmp_path / "telemetry.db")
    yield reader
    reader.close()
    found.close()


def test_positions_are_told_only_where_they_are_switched_on(store, tmp_path):
    off = MapRoom(tmp_path / "map.geojson", store, positions=False)
    assert off.fixes(["v3-meat"], NOW_MS) == {}
    on = MapRoom(tmp_path / "map.geojson", store, positions=True)
    assert list(on.fixes(["v3-meat", "nobody"], NOW_MS)) == ["v3-meat"]


def test_a_position_is_rounded_and_the_newest_one_with_its_age(store, tmp_path):
    fix = MapRoom(tmp_path / "map.geojson", store, positions=True).fixes(["v3-meat"], NOW_MS)["v3-meat"]
    assert (fix.latitude_deg, fix.longitude_deg) == (-17.85, 25.15)
    assert fix.t_ms == NOW_MS - HOUR_MS


def test_a_position_older_than_a_day_is_not_told(store, tmp_path):
    assert MapRoom(tmp_path / "map.geojson", store, positions=True).fixes(["v3-meat"], NOW_MS + DAY_MS) == {}


def test_the_own_map_is_read_again_when_its_file_changes(store, tmp_path):
    file = tmp_path / "map.geojson"
    room = MapRoom(file, store, positions=False)
    assert room.own() is None
    file.write_text(gate("North gate"), encoding="utf-8")
    assert room.own().features[0].name == "North gate"
    assert room.own() is room.own(), "an unchanged file is not read twice"
    file.write_text(gate("South gate"), encoding="utf-8")
    os.utime(file, ns=(1, 1))
    assert room.own().features[0].name == "South gate"


def test_a_file_that_cannot_be_taken_is_named(store, tmp_path):
    file = tmp_path / "map.geojson"
    room = MapRoom(file, store, positions=False)
    file.write_bytes(b"\xff\xfe")
    with pytest.raises(ConfigurationError, match=r"map.geojson: cannot be read as UTF-8"):
        room.own()
