"""12 V taken from one half of a 24 V bank: what is counted of it, and what nobody can know."""

from services.domain import UnitSettings

NOT_KNOWN = (
    "12 V are taken from one half of the 24 V bank, and the voltage of both halves together does not tell how"
    " full that half is: it is the emptier one; measure each half at rest"
)
"""Nor does a full charge: a charger stops at a voltage of both, which the fuller half reaches early."""

ADVICE = (
    "that half is empty first, while charging overfills the other; take 12 V from a converter across both"
)


def tapped_a(settings: UnitSettings) -> float:
    """Return the current taken from one half of the unit's bank [A]."""
    bank = settings.bank
    return 0.0 if bank is None or not settings.has_battery else bank.half_tap_a


def common_a(settings: UnitSettings) -> float:
    """Return what a tap takes from a half on average of both, which their common voltage follows [A]."""
    return tapped_a(settings) / 2.0
