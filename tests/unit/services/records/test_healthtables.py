"""Days of machines that were kept as JSON, taken over into columns and back."""

import json
import shutil

from alembic import command
from sqlalchemy import create_engine, text

from services.domain import HealthDay
from services.records import database
from services.records.facade import Records
from services.timebase import DAY_MS

DAY = HealthDay(
    day=20_000 * DAY_MS,
    measured_on="car/bank/4/1a2b",
    has=("cabinet", "battery"),
    marks=("heat", "lid"),
    hours_seen=23.5,
    hours_run=8.25,
    starts=31.0,
    night_slope_per_k=0.0089,
    night_h=5.5,
    ambient_from="neighbour",
    dust_h=2.0,
    dust_from="charging",
)
BARE = HealthDay(day=20_001 * DAY_MS, measured_on="-/mains/4/1a2b", on_battery=False, hours_seen=3.0)
OLD = (
    "INSERT INTO health_days (unit, day_ms, hours_seen, hours_run, starts, dust_h, value) "
    "VALUES (:unit, :day_ms, :hours_seen, :hours_run, :starts, :dust_h, :value)"
)


def at(path, form, move=command.upgrade):
    """Bring a file to a form; return the engine it stands open in."""
    engine = create_engine(f"sqlite:///{path}")
    config = database._steps()
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        move(config, form)
    return engine


def test_days_and_what_they_hold_are_the_same_after_either_step(tmp_path):
    path = tmp_path / "records.db"
    engine = at(path, "0018")
    with engine.begin() as connection:
        for day in (DAY, BARE):
            row = {name: getattr(day, name) for name in ("hours_seen", "hours_run", "starts", "dust_h")}
            value = day.model_dump_json(exclude_none=True, exclude_defaults=True)
            connection.execute(text(OLD), {"unit": "v3-meat", "day_ms": day.day, "value": value, **row})
        state = "INSERT INTO health_state VALUES ('v3-meat', 9, 9, '[]', '[]')"
        connection.execute(text(state))
    engine.dispose()
    there_and_back = shutil.copy(path, tmp_path / "copy.db")
    records = Records(path)
    assert records.health_days("v3-meat", 0, BARE.day + 1) == (DAY, BARE)
    # what their last month comes to was never worked out: they are looked at again
    assert records.health_states()["v3-meat"].found_ms is None
    records.close()
    at(there_and_back, "0019").dispose()
    engine = at(there_and_back, "0018", command.downgrade)
    with engine.begin() as connection:
        kept = connection.execute(text("SELECT value FROM health_days ORDER BY day_ms")).scalars().all()
    engine.dispose()
    assert [HealthDay.model_validate(json.loads(value)) for value in kept] == [DAY, BARE]
