"""What the law says of each probe reading in a log, by the rules that held when it was taken."""

from services.analytics.food.spotcheck import spot_in_life, spot_of_unit
from services.domain import BatchEvent, CoreReading, Life, SpotCheck, UnitSettings
from services.records.facade import Records
from services.records.said import Statement


def of_statement(records: Records, statement: Statement) -> tuple[SpotCheck, ...]:
    """Return the answers for what a person measured in a cabinet; none for anything else that was said."""
    reading = _reading(statement.t_ms, statement.body.get("probe_c"), statement.body.get("surface_c"))
    settings = _settings(records, statement.unit, statement.t_ms)
    if statement.kind != "probe" or reading is None or settings is None:
        return ()
    return spot_of_unit(settings, reading)


def of_event(records: Records, life: Life | None, event: BatchEvent) -> tuple[SpotCheck, ...]:
    """Return the answers for what a person measured in a batch, as it was kept and where it lay then."""
    named = "core_c" if event.kind == "loaded" else "probe_c"
    reading = _reading(event.t, event.body.get(named), event.body.get("surface_c"))
    if life is None or reading is None or event.kind == "corrected":
        return ()
    begun = [stay for stay in life.stays if stay.start_ms <= event.t]
    here = [stay for stay in begun if stay.unit is not None] or [s for s in life.stays if s.unit is not None]
    settings = _settings(records, here[-1].unit, event.t) if here else None
    if settings is None:
        return ()
    frozen = begun[-1].frozen if begun else here[-1].frozen
    return spot_in_life(life, settings, reading, frozen=frozen)


def _reading(t_ms: int, core_c: object, surface_c: object) -> CoreReading | None:
    if not isinstance(core_c, int | float):
        return None
    return CoreReading(t_ms, float(core_c), float(surface_c) if isinstance(surface_c, int | float) else None)


def _settings(records: Records, unit: str | None, t_ms: int) -> UnitSettings | None:
    """Return how a cabinet was described then; one described later only, as it is now."""
    for fleet in (records.fleet(t_ms), records.fleet()):
        if unit is not None and any(u.id == unit for u in fleet.units):
            return fleet.settings_of(unit)
    return None
