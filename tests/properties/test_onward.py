"""A judgement carried on by live samples tells what a judgement of everything tells, or nothing at all."""

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from services.analytics.assess import assess
from services.domain.fleetfile import parse_fleet
from services.telemetry import Series
from tests.helpers.made import NOON_MS

MINUTE_MS = 60_000
WAITS = "assumed battery battery_reason cutouts cutouts_reason runout service service_reason work"
NOT_CARRIED = set(WAITS.split())
"""What waits for the next look at everything: forecasts, cut-outs, findings, a workshop's numbers."""

FLEET = parse_fleet(
    """
[[site]]
id = "vehicle-3"
name = "Vehicle 3"
kind = "vehicle"
[[bank]]
id = "v3-aux"
chemistry = "agm"
nominal_v = 12
capacity_ah = 100
[[unit]]
id = "v3-meat"
kind = "fridge"
site = "vehicle-3"
interval_s = 60
[unit.food]
classes = ["red_meat", "poultry"]
[unit.sensor]
offset_c = -0.4
error_k = 0.5
[unit.supply]
bank = "v3-aux"
cutout_v = 11.4
[[unit]]
id = "v3-ice"
kind = "freezer"
site = "vehicle-3"
[unit.food]
classes = ["frozen_fish", "ice_cream"]
[[unit]]
id = "v3-drug"
kind = "fridge"
site = "vehicle-3"
[unit.food]
classes = ["medicine"]
[unit.sensor]
position = "product"
[unit.supply]
kind = "mains"
""",
    name="fleet.toml",
)
BASE_C = {"v3-meat": 3.0, "v3-ice": -17.0, "v3-drug": 4.0}

pieces = st.lists(
    st.tuples(
        st.sampled_from([-2.5, 0.0, 0.4, 1.2, 2.1, 4.0, 9.0, 30.0, None]),
        st.integers(1, 9),
        st.sampled_from([20_000, 60_000, 60_000, 170_000]),
        st.sampled_from([12.8, 12.4, 11.7, 11.2]),
    ),
    min_size=2,
    max_size=5,
)
"""How far from the usual (None: silent), how many samples, how far apart, and at what voltage."""


def series_of(unit, drawn, seed, *, probed):
    """Return a day before in peace, and the drawn samples behind it, ending near noon."""
    noise = np.random.default_rng(seed)
    drawn = [(0.0, 140, MINUTE_MS, 12.8), *drawn]
    spacing = np.concatenate([np.full(count, apart_ms) for _, count, apart_ms, _ in drawn])
    away = np.concatenate([np.full(n, np.nan if k is None else k) for k, n, _, _ in drawn])
    volts = np.concatenate([np.full(n, v) for _, n, _, v in drawn])
    t_ms = NOON_MS - int(spacing.sum()) + np.cumsum(spacing)
    cycle = np.arange(t_ms.size) % 24 / 24
    air_c = BASE_C[unit] + away + np.where(cycle < 0.5, cycle, 1 - cycle) + noise.normal(0, 0.02, t_ms.size)
    columns = {
        "cabinet_c": np.round(air_c, 2),
        "battery_v": np.round(volts + noise.normal(0, 0.01, t_ms.size), 2),
        "compressor_on": (cycle > 0.5).astype(np.float64),
    }
    if probed:
        product_c = BASE_C[unit] + 0.3 + np.nan_to_num(away) / 4 + noise.normal(0, 0.02, t_ms.size)
        columns["product_c"] = np.where(np.arange(t_ms.size) % 3 == 0, np.round(product_c, 2), np.nan)
    return Series(t_ms.astype(np.int64), columns)


def heard(series):
    """Return the series without the rows in which nothing at all was measured."""
    known = np.isfinite(series.numbers("cabinet_c"))
    return Series(series.t_ms[known], {name: values[known] for name, values in series.columns.items()})


def told(analysis):
    """Return what has to agree; flags of the battery channel belong to the forecasts."""
    plain = analysis.model_dump(exclude=NOT_CARRIED)
    return {**plain, "sensors": [flag for flag in plain["sensors"] if flag["channel"] != "battery"]}


def walked(series, unit, late_ms, *, first):
    """Judge sample by sample both ways; return how often the judgement was carried on."""
    carried, count = None, 0
    described = FLEET.settings_of(unit)
    for k in range(first, len(series)):
        now_ms = int(series.t_ms[k]) + late_ms
        rows = series.between(int(series.t_ms[k]), int(series.t_ms[k]) + 1)
        went = None if carried is None else carried.after(rows, now_ms)
        kept = []
        whole = assess(
            series.between(0, int(series.t_ms[k]) + 1),
            described,
            as_of_ms=now_ms,
            heard_from_ms=int(series.t_ms[0]),
            carry=kept.append,
        )
        if went is None:
            carried = kept[0]
        else:
            carried, count = went, count + 1
            assert told(went.analysis) == told(whole)
    return count


@settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    unit=st.sampled_from(sorted(BASE_C)),
    drawn=pieces,
    seed=st.integers(0, 1000),
    late_ms=st.sampled_from([0, 900, 40_000]),
    probed=st.booleans(),
)
def test_what_is_carried_on_is_what_a_look_at_everything_tells(unit, drawn, seed, late_ms, probed):
    series = heard(series_of(unit, drawn, seed, probed=probed))
    walked(series, unit, late_ms, first=136)
