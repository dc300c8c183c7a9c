"""Core temperatures that cooking has to reach, and what no cooking mends."""

from dataclasses import dataclass

from services.domain import FoodClass

_RAW = "US FDA Food Code 2022, 3-401.11(A)"
_REHEAT = "US FDA Food Code 2022, 3-403.11(A)"
_READ = "read in a secondary copy"


@dataclass(frozen=True, slots=True)
class CoreTarget:
    """The core temperature to reach, with how long it has to stay there."""

    core_c: float | None
    """None for what is not cooked here."""
    hold_s: float
    source: str
    why: str
    """Without the source, which is told beside it."""


_WHOLE = CoreTarget(63.0, 15.0, f"{_RAW}(1) ({_READ})", "63 °C in the core for 15 s, whole cuts and fish")
# 155 °F is printed beside 68 °C and is 68.3 °C: the next whole degree is the safer side of the pair.
_GROUND = CoreTarget(
    69.0,
    17.0,
    f"{_RAW}(2) ({_READ})",
    "69 °C in the core for 17 s: minced, injected or tenderised, 155 °F",
)
_HIGHEST = CoreTarget(
    74.0, 15.0, f"{_RAW}(3) ({_READ})", "74 °C in the core for 15 s: poultry, wild game, stuffed"
)
_UNSURE = CoreTarget(
    74.0,
    15.0,
    f"{_RAW}(3) ({_READ})",
    "74 °C in the core for 15 s: not known what it is, so the highest",
)
_AGAIN = CoreTarget(
    74.0, 15.0, f"{_REHEAT} ({_READ})", "74 °C in the core for 15 s within 2 h when heated again"
)
_NOT_COOKED = CoreTarget(None, 0.0, "", "not cooked here")
_TARGETS: dict[FoodClass, CoreTarget] = {
    "poultry": _HIGHEST,
    "game": _HIGHEST,
    "mince": _GROUND,
    "red_meat": _WHOLE,
    "fish": _WHOLE,
    "frozen_fish": _WHOLE,
    "offal": _HIGHEST,
    "cooked": _AGAIN,
    "frozen_other": _UNSURE,
    "other_chilled": _UNSURE,
    "unknown": _UNSURE,
    "milk": _NOT_COOKED,
    "ice_cream": _NOT_COOKED,
    "drinks": _NOT_COOKED,
    "medicine": _NOT_COOKED,
}


def core_to_reach(food_class: FoodClass, *, ready_to_eat: bool = False) -> CoreTarget:
    """Return the core temperature a class has to reach when it is cooked or heated again.

    Offal, unknown and mixed food take the highest row: the Food Code gives them none of their own
    (this project's decision). The 63 °C row is for whole, intact cuts; anything minced, injected or
    stuffed belongs to a higher one.

    Parameters
    ----------
    food_class : str
        What it is.
    ready_to_eat : bool
        Whether it is eaten as it is; heating it again is then a choice.

    References
    ----------
    .. [1] US FDA Food Code 2022, 3-401.11(A) and 3-403.11(A), read in the adoptions of Delaware,
       Minnesota and Wisconsin and, for 68 °C for 17 s, Florida. Editions before 2017 print 15 s.
    """
    target = _TARGETS[food_class]
    if not ready_to_eat or target.core_c is None:
        return target
    return CoreTarget(None, 0.0, _AGAIN.source, f"eaten as it is; if heated again, {_AGAIN.why}")


STAPH = "toxin of Staphylococcus aureus that formed while it was warm survives cooking (from memory)"
CEREULIDE = (
    "toxin of Bacillus cereus that formed in it withstands boiling: it was still there after 2 h at 100 °C "
    "(Wang, Ding and Oh, Foodborne Pathogens and Disease 11(2), 2014, cooked rice; abstract read)"
)
HISTAMINE = (
    "histamine of fish that stood warm is not destroyed by freezing, cooking or smoking "
    "(US FDA, scombrotoxin poisoning, read in a secondary copy)"
)
STARCHY: frozenset[FoodClass] = frozenset(("cooked", "other_chilled", "frozen_other", "milk", "unknown"))
"""Where rice, pasta, sauces and dishes of milk may be among it."""
FISHY: frozenset[FoodClass] = frozenset(("fish", "frozen_fish", "unknown"))


def not_mended_by_cooking(food_class: FoodClass) -> tuple[str, ...]:
    """Return what stays in food that stood too warm however well it is cooked; nothing for drinks, medicine.

    Cooking well never repairs a discard; it kills what grew, not what it left behind.
    """
    if food_class in {"drinks", "medicine"}:
        return ()
    told = [HISTAMINE] if food_class in FISHY else []
    if food_class in STARCHY:
        told.append(CEREULIDE)
    return (*told, STAPH)
