"""A fleet, cards and analyses made by hand for tests of the records and the monitor."""

from services.domain import Analysis, Episode, Exposure, Fleet, Runout, UnitCard, Verdict
from services.domain.fleetfile import parse_fleet

NOON_MS = 1_780_315_200_000
"""2026-06-01T12:00:00Z."""

FLEET_TOML = """
[[site]]
id = "vehicle-3"
name = "Vehicle 3"
kind = "vehicle"
timezone = "Africa/Lusaka"

[[bank]]
id = "v3-aux"
chemistry = "agm"
nominal_v = 12
capacity_ah = 100

[[unit]]
id = "v3-meat"
name = "Meat chest"
kind = "fridge"
site = "vehicle-3"
set_point_c = 2.0
interval_s = 60
[unit.food]
classes = ["red_meat"]
[unit.supply]
bank = "v3-aux"
cutout_v = 11.4

[[unit]]
id = "v3-ice"
kind = "freezer"
site = "vehicle-3"

[[person]]
name = "Asha"
role = "cook"
"""


def fleet() -> Fleet:
    """Return two cabinets in one vehicle, and a cook."""
    return parse_fleet(FLEET_TOML, name="fleet.toml")


def runout() -> Runout:
    """Return a run-out nobody can tell."""
    none = {f"hours_{p}": None for p in ("p10", "p50", "p90")}
    why = {f"hours_{p}_reason": "not enough data" for p in ("p10", "p50", "p90")}
    return Runout(reason="not_enough_data", food_at_risk_reason="no run-out", **none, **why)


def exposure(
    *episodes: tuple[int, int], start_ms: int, verdict: Verdict = Verdict.WATCH, basis: str = "modelled_food"
) -> Exposure:
    """Return one clock with episodes given as (start, end)."""
    made = tuple(
        Episode(start=s, end=e, minutes=(e - s) / 60_000, peak_c=8.0, mean_c=7.0) for s, e in episodes
    )
    minutes = sum(e.minutes for e in made)
    return Exposure(
        rule="za-r638-2018",
        limit_c=5.0,
        basis=basis,
        start=start_ms,
        compliant="no" if made else "yes",
        minutes_above=minutes,
        minutes_unknown=0.0,
        minutes_worst_case=minutes,
        peak_c=8.0 if made else 3.0,
        episodes=made,
        verdict=verdict,
        source="made by hand",
        why="made by hand",
    )


def analysis(
    unit: str = "v3-meat",
    *,
    as_of_ms: int = NOON_MS,
    verdict: Verdict = Verdict.OK,
    exposures: tuple[Exposure, ...] = (),
) -> Analysis:
    """Return an analysis that says what it is told to."""
    return Analysis(
        unit=unit,
        start=as_of_ms - 72 * 3_600_000,
        to=as_of_ms,
        as_of=as_of_ms,
        samples=10,
        assumed=(),
        verdict=verdict,
        verdict_why=f"computed {verdict}",
        exposure=exposures,
        cutouts=(),
        battery=None,
        battery_reason="made by hand",
        runout=runout(),
        service=(),
        sensors=(),
    )


def card(
    unit: str = "v3-meat",
    *,
    as_of_ms: int = NOON_MS,
    computed: Verdict = Verdict.OK,
    standing: Verdict | None = None,
) -> UnitCard:
    """Return a card that says what it is told to."""
    return UnitCard(
        unit=unit,
        name=unit,
        kind="fridge",
        site="vehicle-3",
        site_name="Vehicle 3",
        site_kind="vehicle",
        timezone="Africa/Lusaka",
        state="in_use",
        classes=("red_meat",),
        set_point_c=2.0,
        limit_c=5.0,
        observed_at=as_of_ms - 1_000,
        received_at=as_of_ms,
        interval_s=60,
        latest={"cabinet_c": 3.0},
        standing=computed if standing is None else standing,
        standing_since=as_of_ms,
        standing_why="made by hand",
        computed=computed,
        computed_why="made by hand",
        minutes_above=0.0,
        minutes_unknown=0.0,
        minutes_worst_case=0.0,
        backlog_expected=False,
        runout=runout(),
        cutouts=(),
        cut_out_now=False,
        service=(),
        sensors=(),
        as_of=as_of_ms,
    )
