"""RFC 8798 (June 2020), registry of secondary units: scale and offset to the primary unit, as printed there.

Tolerance: one part in 10^12, for the order of multiplications.
"""

import cbor2
import pytest

from services.telemetry.senml import decode

pytestmark = pytest.mark.outside

PRINTED = [
    ("ms", "s", 1 / 1000, 0),
    ("min", "s", 60, 0),
    ("h", "s", 3600, 0),
    ("Ah", "C", 3600, 0),
    ("Wh", "J", 3600, 0),
    ("kWh", "J", 3_600_000, 0),
    ("mV", "V", 1 / 1000, 0),
    ("mA", "A", 1 / 1000, 0),
    ("/100", "/", 1 / 100, 0),
    ("hPa", "Pa", 100, 0),
    ("km/h", "m/s", 1 / 3.6, 0),
    ("dBm", "dBW", 1, -30),
]


@pytest.mark.parametrize(("unit", "primary", "scale", "offset"), PRINTED)
@pytest.mark.parametrize("value", [-40.0, 0.0, 1.0, 12_613.0])
def test_secondary_units_become_primary_ones_in_version_26(unit, primary, scale, offset, value):
    (record,) = decode(cbor2.dumps([{-1: 26, 0: "a", 1: unit, 2: value}]))
    assert record.unit == primary
    assert record.value == pytest.approx(value * scale + offset, rel=1e-12, abs=1e-12)


@pytest.mark.parametrize("base", [{}, {-1: 10}])
def test_secondary_units_are_left_alone_in_other_versions(base):
    (record,) = decode(cbor2.dumps([{**base, 0: "a", 1: "mV", 2: 12_613.0}]))
    assert (record.unit, record.value) == ("mV", 12_613.0)


def test_a_secondary_base_unit_is_scaled_too():
    records = decode(cbor2.dumps([{-1: 26, -4: "mV", 0: "a", 2: 12_613}, {0: "b", 2: 12_000}]))
    assert [(record.unit, record.value) for record in records] == [("V", 12.613), ("V", 12.0)]
