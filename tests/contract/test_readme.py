"""What the README tells people to type must work."""

import re
import zlib
from pathlib import Path

from services.domain.fleetfile import parse_fleet, parse_unit_file
from services.domain.tripfile import parse_trip
from services.telemetry import topics
from services.telemetry.packs import decode_pack

README = (Path(__file__).resolve().parents[2] / "README.md").read_text(encoding="utf-8")
NOW_S = 1_790_000_000


def blocks(language):
    return re.findall(rf"```{language}\n(.*?)```", README, flags=re.DOTALL)


def test_the_sample_sent_by_hand_is_taken_whole():
    command = next(block for block in blocks("sh") if "mosquitto_pub" in block)
    payload = re.search(r"-m '(\[.*\])'", command, flags=re.DOTALL).group(1)
    payload = payload.replace("'$(date +%s)'", str(NOW_S))
    part = f"{zlib.crc32(b'v3-meat') % 16:02d}"
    topic = re.search(r'-t "([^"]+)"', command).group(1).replace("$PART", part)
    assert topics.parse(topic) == (part, "v3-meat", "up/data")
    pack = decode_pack(topic, payload.encode(), received_ms=NOW_S * 1000, expiry_left_s=None)
    assert pack.rejected == ()
    (sample,) = pack.samples
    assert (sample.bid, sample.sq, sample.tq) == (1, 0, 2)
    assert dict(sample.values) == {"compressor": True, "cabinet": 3.1, "battery": 12.6}


def test_the_unit_file_shown_is_read():
    text = next(block for block in blocks("toml") if "[unit]" in block)
    settings = parse_unit_file(text, name="README.md")
    assert settings.unit.id == "v3-meat"
    assert settings.bank is not None
    assert settings.bank.capacity_ah == 100


def test_the_trip_shown_can_be_planned_with_the_fleet_of_the_demo():
    text = next(block for block in blocks("toml") if "[trip]" in block)
    fleet = Path(__file__).resolve().parents[2] / "firmware_sim" / "scenarios" / "quiet_ridge_fleet.toml"
    known = parse_fleet(fleet.read_text(encoding="utf-8"), name=fleet.name)
    trip = parse_trip(text, name="README.md", fleet=known)
    assert [unit.id for unit in trip.units] == ["v1-meat"]
    assert trip.trip.nights == 3


def test_the_two_commands_are_there_and_can_be_run():
    root = Path(__file__).resolve().parents[2]
    for command in ("deploy/demo", "deploy/test", ".ci/run"):
        assert (root / command).stat().st_mode & 0o111
    assert "deploy/demo" in README
    assert "deploy/test" in README


def test_every_file_and_folder_it_names_exists():
    root = Path(__file__).resolve().parents[2]
    named = re.findall(
        r"`((?:services|dashboards|firmware_sim|deploy|tests)/[\w./-]*|DEVELOPERS\.md)`", README
    )
    assert named
    assert [name for name in named if not (root / name).exists()] == []
