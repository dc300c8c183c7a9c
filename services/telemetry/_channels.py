"""The channels every part of the house knows, by their name on the wire and their column."""

from dataclasses import dataclass
from typing import Literal

Kind = Literal["number", "boolean", "text"]


@dataclass(frozen=True, slots=True)
class Channel:
    """One measured quantity: its SenML name and unit, and the column it is kept in."""

    name: str
    unit: str | None
    column: str
    kind: Kind
    lowest: float | None = None
    """Lower end of what a working sensor can report, in `unit` (judgement, no source)."""
    highest: float | None = None
    """Upper end of what a working sensor can report, in `unit` (judgement, no source)."""


_ALL = (
    Channel("cabinet", "Cel", "cabinet_c", "number", -60.0, 85.0),
    Channel("battery", "V", "battery_v", "number", 0.0, 60.0),
    Channel("compressor", None, "compressor_on", "boolean"),
    Channel("product", "Cel", "product_c", "number", -60.0, 85.0),
    Channel("ambient", "Cel", "ambient_c", "number", -40.0, 90.0),
    Channel("evaporator", "Cel", "evaporator_c", "number", -60.0, 85.0),
    Channel("current", "A", "current_a", "number", -200.0, 200.0),
    Channel("bank", "V", "bank_v", "number", 0.0, 60.0),
    Channel("speed", "1/s", "compressor_hz", "number", 0.0, 200.0),
    Channel("lid", None, "lid_open", "boolean"),
    Channel("supply", None, "supply", "text"),
    Channel("fault", None, "fault", "text"),
    Channel("setpoint", "Cel", "set_point_c", "number", -60.0, 60.0),
    Channel("cutout", "V", "cutout_v", "number", 0.0, 60.0),
    Channel("lat", "lat", "lat_deg", "number", -90.0, 90.0),
    Channel("lon", "lon", "lon_deg", "number", -180.0, 180.0),
    Channel("rssi", "dBW", "rssi_dbw", "number", -250.0, 50.0),
)

CHANNELS: dict[str, Channel] = {channel.name: channel for channel in _ALL}
"""Known channels by their SenML name; an unknown name is stored all the same."""

COLUMNS: dict[str, Channel] = {channel.column: channel for channel in _ALL}
"""Known channels by their column."""

NUMERIC_COLUMNS: tuple[str, ...] = tuple(c.column for c in _ALL if c.kind == "number")
BOOLEAN_COLUMNS: tuple[str, ...] = tuple(c.column for c in _ALL if c.kind == "boolean")
TEXT_COLUMNS: tuple[str, ...] = tuple(c.column for c in _ALL if c.kind == "text")
