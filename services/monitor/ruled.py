"""Which rules held for a cabinet since a moment, from the dated rows of the fleet."""

from bisect import bisect_right

from services.domain import Fleet, UnitSettings
from services.records.facade import Records


class Ruled:
    """Remembers how the fleet was described before, until it is described anew."""

    def __init__(self, records: Records) -> None:
        """Read from the records."""
        self._records = records
        self._moments: tuple[int, ...] | None = None
        self._fleets: dict[int, Fleet] = {}

    def forget(self) -> None:
        """Ask the records anew: the fleet was described otherwise."""
        self._moments = None
        self._fleets.clear()

    def before(self, settings: UnitSettings, *, since_ms: int, now_ms: int) -> tuple[UnitSettings, ...]:
        """Return a cabinet as it is described now but under rules that held earlier, since a moment."""
        if self._moments is None:
            self._moments = self._records.fleet_changes(0, now_ms + 1)
        first = max(0, bisect_right(self._moments, since_ms) - 1)
        found = [settings]
        for moment in self._moments[first:-1]:
            then = self._at(moment, settings.unit.id)
            if then is not None:
                held = {"rules": then.rules, "house_rules": then.house_rules}
                found.append(settings.model_copy(update=held))
        return tuple(other for k, other in enumerate(found) if other not in found[:k])[1:]

    def crossing(self, settings: UnitSettings, *, since_ms: int, now_ms: int) -> UnitSettings:
        """Return a cabinet held to every rule that held for it since a moment: the strictest wins."""
        earlier = self.before(settings, since_ms=since_ms, now_ms=now_ms)
        if not earlier:
            return settings
        rules = dict.fromkeys((*settings.rules, *(name for then in earlier for name in then.rules)))
        own = {house.name: house for then in (*earlier, settings) for house in then.house_rules}
        return settings.model_copy(update={"rules": tuple(rules), "house_rules": tuple(own.values())})

    def _at(self, moment_ms: int, unit: str) -> UnitSettings | None:
        if moment_ms not in self._fleets:
            self._fleets[moment_ms] = self._records.fleet(moment_ms)
        fleet = self._fleets[moment_ms]
        return fleet.settings_of(unit) if any(u.id == unit for u in fleet.units) else None
