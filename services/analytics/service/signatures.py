"""Which way each kind of fault moves what can be followed over days, as data: a table to look things up in.

It never names a culprit by itself. What moved is compared with every row; rows that nothing speaks against
are told as things it could be.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

SignalName = Literal[
    "works", "cools", "warms", "plate", "starts", "current", "sag", "level", "swing", "rest", "noon"
]
"""What is followed: running share at equal air, speed of cooling, speed of warming, cabinet less evaporator,
starts an hour, power drawn, voltage lost while it runs, the temperature it stops at, the rise between stop
and start, the resting voltage before dawn, the running share a kelvin at noon over that at night."""

Direction = Literal["up", "down", "same"]

SIGNALS: tuple[SignalName, ...] = (
    "works",
    "cools",
    "warms",
    "plate",
    "starts",
    "current",
    "sag",
    "level",
    "swing",
    "rest",
    "noon",
)


@dataclass(frozen=True, slots=True)
class Signature:
    """One kind of fault."""

    words: str
    """What it could be, for people."""
    moves: Mapping[SignalName, tuple[Direction, ...]]
    """The directions that go with it; a signal that is not in it may do anything."""
    comes: Literal["at once", "over weeks", "either"]
    check: str
    """What to look at first."""
    parts: tuple[str, ...]
    source: str


JUDGED = "directions are judgement"
CHARGE = (
    "run time and current after undercharge: Yildiz Technical Univ. J. Thermal Engineering, 86 g unit"
    " (abstract); directions else judgement"
)
FOULED = "Qureshi and Zubair, Int. J. Refrigeration 38 (2014) 260-266 (abstract); directions else judgement"

_COOLING_ONLY: Mapping[SignalName, tuple[Direction, ...]] = {
    "warms": ("same", "down"),  # long runs leave liner and food colder
    "level": ("same",),
    "rest": ("same", "down"),
}

SIGNATURES: Mapping[str, Signature] = {
    "dirty_condenser": Signature(
        "dust on the condenser, or a hot or blocked niche",
        {
            "works": ("up",),
            "cools": ("down",),
            "plate": ("same",),
            "starts": ("down", "same"),
            "current": ("up",),
            "sag": ("up", "same"),
            "noon": ("up",),
            **_COOLING_ONLY,
        },
        "either",
        "Clean the condenser and free the air around it, then compare the next days.",
        ("brush and air line", "condenser fan"),
        FOULED,
    ),
    "condenser_fan": Signature(
        "the condenser's fan stands still",
        {
            "works": ("up",),
            "cools": ("down",),
            "plate": ("down",),
            "starts": ("down", "same"),
            "current": ("up",),
            "sag": ("up", "same"),
            "noon": ("up",),
            **_COOLING_ONLY,
        },
        "at once",
        "Look whether the condenser's fan turns while the compressor runs.",
        ("condenser fan", "fan fuse"),
        JUDGED,
    ),
    "leak": Signature(
        "refrigerant escaping slowly",
        {
            "works": ("up",),
            "cools": ("down",),
            "starts": ("down", "same"),
            "current": ("down",),
            "sag": ("down", "same"),
            **_COOLING_ONLY,
        },
        "over weeks",
        "Feel the evaporator while it runs: cold at the inlet only speaks for too little refrigerant; look"
        " for oil at the joints. Work for licensed technicians: it is under pressure, and some of it burns.",
        ("leak detector", "scales", "refrigerant of the type plate"),
        CHARGE,
    ),
    "overcharge": Signature(
        "too much refrigerant after a service",
        {
            "works": ("up",),
            "cools": ("same", "down"),
            "plate": ("down",),
            "starts": ("same",),
            "current": ("up",),
            "sag": ("up", "same"),
            **_COOLING_ONLY,
        },
        "at once",
        "Compare the charge of the last service with the type plate. Work for licensed technicians.",
        ("scales",),
        "COP against overfill of a capillary unit, R12 (abstract); directions else judgement",
    ),
    "frost": Signature(
        "frost on the evaporator",
        {
            "works": ("up",),
            "cools": ("down",),
            "plate": ("up",),
            "starts": ("down", "same"),
            "current": ("down", "same"),
            "sag": ("same", "down"),
            **_COOLING_ONLY,
        },
        "over weeks",
        "Look at the evaporator: thaw it and see whether the change is gone; then seal and drain.",
        ("lid gasket",),
        "Hermes et al., Energies 14 (2021) 5991 (abstract); directions else judgement",
    ),
    "evaporator_fan": Signature(
        "the fan inside stands still",
        {
            "works": ("up",),
            "cools": ("down",),
            "plate": ("up",),
            "current": ("down", "same"),
            "sag": ("same", "down"),
            **_COOLING_ONLY,
        },
        "at once",
        "Look whether the fan inside turns, where there is one.",
        ("evaporator fan",),
        JUDGED,
    ),
    "gasket": Signature(
        "lid or door no longer tight",
        {
            "works": ("up",),
            "cools": ("same",),
            "warms": ("up",),
            "starts": ("up", "same"),
            "current": ("same",),
            "sag": ("same",),
            "level": ("same",),
            "plate": ("same",),
        },
        "either",
        "Draw a strip of paper through the closed lid all round, look for frost near seal and hinges.",
        ("lid gasket", "hinges and catch"),
        JUDGED,
    ),
    "foam": Signature(
        "wet or aged foam in the walls",
        {
            "works": ("up",),
            "cools": ("same", "down"),
            "warms": ("up",),
            "starts": ("up", "same"),
            "current": ("same",),
            "sag": ("same",),
            "level": ("same",),
            "plate": ("same",),
        },
        "over weeks",
        "Feel the outside for cold or wet places, weigh the cabinet if its weight is known.",
        (),
        "ageing: Wilkes et al., J. Cellular Plastics 38 (2002) 317-339 (abstract); directions judgement",
    ),
    "thermostat": Signature(
        "thermostat or its sensor, or a set point turned by hand",
        {
            "cools": ("same",),
            "level": ("up", "down"),
            "current": ("same",),
            "sag": ("same",),
        },
        "either",
        "Compare the set point with the file and the sensor with melting ice.",
        ("temperature sensor",),
        JUDGED,
    ),
    "compressor": Signature(
        "worn compressor or its valves",
        {
            "works": ("up",),
            "cools": ("down",),
            "plate": ("down",),
            "starts": ("down", "same"),
            "current": ("down", "same"),
            "sag": ("down", "same"),
            **_COOLING_ONLY,
        },
        "over weeks",
        "Feel the evaporator while it runs: cool all over but not cold speaks for the compressor.",
        ("compressor, for a licensed technician",),
        JUDGED,
    ),
    "battery": Signature(
        "a worn battery",
        {  # what it works and warms is the same only until it cuts out
            "cools": ("same",),
            "sag": ("up",),
            "rest": ("down", "same"),
            "level": ("same",),
        },
        "over weeks",
        "Test the battery's capacity after a full charge, each 12 V block alone.",
        ("battery",),
        JUDGED,
    ),
    "path": Signature(
        "a bad plug, joint or cable",
        {  # as for a battery
            "cools": ("same",),
            "current": ("same", "up"),
            "sag": ("up",),
            "rest": ("same",),
        },
        "either",
        "Measure the drop from battery to unit while the compressor runs: plug, socket, fuse, cable.",
        ("plug and socket", "cable lugs", "fuse holder"),
        JUDGED,
    ),
    "charging": Signature(
        "charging that fails, or another load on the bank",
        {
            "works": ("same",),
            "cools": ("same",),
            "warms": ("same",),
            "sag": ("same", "up"),
            "rest": ("down",),
            "level": ("same",),
        },
        "either",
        "Look whether the charger gives current, and for another load left on.",
        ("charger fuse", "relay"),
        JUDGED,
    ),
}
"""After the project's reference table of fault signatures; the sources are those of its rows."""


ALLOWED = 0.75
"""Of a signal that moved as a row asks, what one counts that may move or stand still there (judgement)."""


@dataclass(frozen=True, slots=True)
class Fit:
    """How well what was seen goes with one row."""

    kind: str
    agree: float
    """Signals that moved as the row says; one it only allows to move counts less than one it asks for."""
    against: int
    """Signals that moved another way than the row says."""
    absent: int
    """Signals that are followed and should have moved, and did not (yet)."""

    @property
    def points(self) -> float:
        """How well it goes; under nothing it does not."""
        return self.agree - self.against - 0.5 * self.absent


def fits(seen: Mapping[SignalName, Direction], *, comes: Literal["at once", "over weeks"]) -> list[Fit]:
    """Return the rows that go with what was seen, the best first, then in the order of the table.

    Of first signs, what they allow.

    Parameters
    ----------
    seen : mapping of signal to direction
        Every signal that is followed: where it moved, and "same" where it did not.
    comes : str
        How it began.
    """
    found = []
    for kind, row in SIGNATURES.items():
        known = {name: way for name, way in seen.items() if name in row.moves}
        moved = {name: way for name, way in known.items() if way != "same"}
        going = [row.moves[name] for name, way in moved.items() if way in row.moves[name]]
        agree = sum(ALLOWED if "same" in ways else 1.0 for ways in going)
        absent = sum("same" not in row.moves[name] for name, way in known.items() if way == "same")
        fit = Fit(kind, agree, len(moved) - len(going), absent + (row.comes not in {"either", comes}))
        if going:
            found.append(fit)
    good = [fit for fit in found if fit.points > 0.0] or [fit for fit in found if fit.against == 0]
    return sorted(good, key=lambda fit: -fit.points)
