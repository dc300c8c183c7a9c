"""What the life of a batch of food is made of."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Stay:
    """One unbroken stretch in one place."""

    unit: str | None
    """The cabinet; None when it was out, or in one that was never said."""
    start_ms: int
    end_ms: int | None
    """None while it lasts."""
    frozen: bool
    out: bool = False
    """Taken out by a person, so known to be out of any cold."""


@dataclass(frozen=True, slots=True)
class CoreReading:
    """What a person's probe showed in the core and, where it was measured, on the surface."""

    t_ms: int
    core_c: float
    surface_c: float | None = None
    ice: bool | None = None
    """Whether ice was seen in it; None: nobody looked."""


@dataclass(frozen=True, slots=True)
class TimeControl:
    """Time stands in place of cold since food was taken out."""

    started_ms: int
    six_hours: bool
    written_procedure: bool
    marked: bool


@dataclass(frozen=True, slots=True)
class HoldClosed:
    """How a hold was closed."""

    event: int
    t_ms: int
    who: str
    probe_c: float
    disposition: str
    reason: str
    standing: str
    """The verdict that stood when it was closed."""
    computed: str
