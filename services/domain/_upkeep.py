"""Kinds of work on a cabinet, and how often each kind comes round."""

from typing import Annotated, Literal

from pydantic import Field, StringConstraints, model_validator

from services.domain._frozen import Frozen

WorkKind = Literal[
    "cooling", "wiring", "battery", "sensor", "gasket", "condenser", "ice_point", "other"
]  # fmt: skip
"""What a job is about; `condenser` is its cleaning, `ice_point` a sensor held in melting ice."""

_Interval = Annotated[float | None, Field(gt=0, le=1_000_000, allow_inf_nan=False)]


class ServiceRule(Frozen):
    """Work that comes round: whichever of its intervals is over first makes it due."""

    name: Annotated[str, StringConstraints(min_length=1, max_length=60, strip_whitespace=True)]
    work: WorkKind
    every_days: _Interval = None
    every_run_hours: _Interval = None
    """Of the compressor."""
    every_starts: _Interval = None
    """Of the compressor."""
    every_dust_hours: _Interval = None
    """Hours in which dust is drawn in: a vehicle's driving where that is known, else running."""
    kinds: tuple[Literal["fridge", "freezer"], ...] = ()
    """Cabinets it holds for; none: every kind."""
    source: Annotated[str, StringConstraints(max_length=120)] = ""
    """Where the intervals come from."""

    @model_validator(mode="after")
    def _comes_round(self) -> "ServiceRule":
        every = (self.every_days, self.every_run_hours, self.every_starts, self.every_dust_hours)
        if all(each is None for each in every):
            raise ValueError(
                "give at least one of every_days, every_run_hours, every_starts, every_dust_hours"
            )
        return self


_PRACTICE = "common practice, no source"
DEFAULT_SERVICE_RULES = (
    ServiceRule(
        name="Condenser cleaning", work="condenser", every_dust_hours=300, every_days=90, source=_PRACTICE
    ),
    ServiceRule(name="Gasket check", work="gasket", every_days=180, source=_PRACTICE),
    ServiceRule(name="Battery test", work="battery", every_days=180, source=_PRACTICE),
    ServiceRule(name="Check in melting ice", work="ice_point", every_days=180, source=_PRACTICE),
    ServiceRule(
        name="Cooling check",
        work="cooling",
        every_run_hours=4_000,
        every_starts=30_000,
        every_days=365,
        source=_PRACTICE,
    ),
)
"""What comes round where a fleet file says nothing of it; with any rule in the file these fall away."""
