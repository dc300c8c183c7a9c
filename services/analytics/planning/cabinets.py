"""Heat of a planned cabinet: what comes in, what the machine takes out, and what it draws for that."""

import math
from dataclasses import dataclass

import numpy as np

from services.analytics.food.enthalpy import LEAN_BEEF, enthalpy_kj_per_kg
from services.analytics.power.holdover import CHILLED_J_PER_KG_K, DEFAULT_LOAD_KG, gain_w_per_k
from services.domain import UnitSettings
from services.domain.trip import TripUnit
from services.telemetry import FloatArray

RATED_OUTSIDE_C = 32.0
"""Air around the cabinet at which cooling and current are meant [°C]."""
CAPACITY_LOSS_PER_K = 0.015
"""Of the machine's cooling for each kelvin more outside (0.010-0.020, from ideal cycles of the two usual
refrigerants; judgement)."""
CAPACITY_GAIN_PER_K = 0.02
MOST_GAIN = 1.3
"""More cooling from a warmer cabinet, and where that ends (judgement)."""
DRAW_GAIN_PER_K = 0.015
"""More electric power for each kelvin more outside: by ideal cycles ten kelvin more at the condenser cost
9-10 % of the cooling and 20-25 % of its ratio to the power, so 13-17 % more power."""
FRIDGE_COP, FREEZER_COP = 1.25, 0.75
"""Heat moved over electric power of small direct-current machines at 32 °C outside, 4 and -18 °C inside,
where no cooling capacity is given (judgement; rating sheets show 0.9-1.4 in more heat, from memory)."""
AIR_AND_LINER_J_PER_K = 7500.0
FOOD_W_PER_K = 3.0
"""Between cabinet air and the food in it, 12 kg; goes as mass to two thirds (judgement)."""
FRESH_W_PER_K_KG = 0.25
"""Between air and what was just put in, for each kilogram (judgement)."""
USE_W = 0.5
"""Lids and doors, mean over a day (judgement: a chest loses about half a watt-hour at each opening)."""
STANDBY_W = 0.8
DRINK_J_PER_KG_K = 3850.0
"""Cans and bottles of drinks, the container included (judgement: water 4190, glass 840, aluminium 900)."""
ON_NOMINAL = 1.04
"""A 12 V bank stands at about 12.5 V while it feeds (judgement)."""
_TABLE_C = np.linspace(-39.0, 45.0, 841)
_TABLE_KJ = enthalpy_kj_per_kg(_TABLE_C, LEAN_BEEF)


@dataclass(frozen=True, slots=True)
class Cabinet:
    """What the plan takes one cabinet to be, before anything is drawn."""

    unit: str
    set_point_c: float
    frozen: bool
    gain_w_per_k: float
    cooling_w: float
    draw_w: float
    """Electric, running, at 32 °C outside."""
    food_kg: float
    in_sun_k: float

    @property
    def food_w_per_k(self) -> float:
        """Between the air and the food that is in it from the start [W/K]."""
        return float(FOOD_W_PER_K * (self.food_kg / 12.0) ** (2.0 / 3.0))


def cabinet_of(unit: TripUnit, settings: UnitSettings) -> tuple[Cabinet, tuple[str, ...]]:
    """Return a cabinet, and in words what had to be assumed for it."""
    assumed = []
    draw_w = settings.running_a * settings.nominal_v
    frozen = unit.kind == "freezer"
    gain, cooling, food_kg = unit.shell_w_per_k, unit.cooling_w, unit.food.load_kg
    if gain is None:
        gain = gain_w_per_k(settings)
        assumed.append(f"heat gain {gain:.2f} W/K")
    if cooling is None:
        cooling = draw_w * (FREEZER_COP if frozen else FRIDGE_COP)
        assumed.append(f"cooling {cooling:.0f} W")
    if food_kg is None:
        food_kg = DEFAULT_LOAD_KG
        assumed.append(f"{food_kg:g} kg of food")
    cabinet = Cabinet(unit.id, settings.set_point_c, frozen, gain, cooling, draw_w, food_kg, unit.in_sun_k)
    return cabinet, tuple(assumed)


def food_kj_per_kg(t_c: FloatArray, *, frozen: bool) -> FloatArray:
    """Return the heat content of the food, counted from an arbitrary zero [kJ/kg].

    A freezer's load is lean beef with its melting ice (see `enthalpy_kj_per_kg`), a fridge's 3.5 kJ/(kg K).
    """
    if frozen:
        return np.interp(t_c, _TABLE_C, _TABLE_KJ)
    return np.asarray(t_c, dtype=np.float64) * (CHILLED_J_PER_KG_K / 1000.0)


def food_c(kj_per_kg: FloatArray, *, frozen: bool) -> FloatArray:
    """Return the temperature of food of a heat content [°C]."""
    if frozen:
        return np.interp(kj_per_kg, _TABLE_KJ, _TABLE_C)
    return np.asarray(kj_per_kg, dtype=np.float64) * (1000.0 / CHILLED_J_PER_KG_K)


def cooling_share(outside_c: FloatArray, over_set_point_k: FloatArray) -> FloatArray:
    """Return the machine's cooling over what it is rated at, by heat outside and warmth inside."""
    hot = np.maximum(0.2, 1.0 - CAPACITY_LOSS_PER_K * (outside_c - RATED_OUTSIDE_C))
    warm = np.minimum(MOST_GAIN, 1.0 + CAPACITY_GAIN_PER_K * np.maximum(0.0, over_set_point_k))
    return np.asarray(hot * warm, dtype=np.float64)


def draw_share(outside_c: FloatArray) -> FloatArray:
    """Return the machine's electric power over what it is rated at."""
    return np.maximum(0.6, 1.0 + DRAW_GAIN_PER_K * (np.asarray(outside_c) - RATED_OUTSIDE_C))


def full_duty_hours(
    *,
    heat_j_per_k: float,
    gain_w_per_k: float,
    cooling_w: float,
    outside_c: float,
    from_c: float,
    to_c: float,
) -> float:
    """Return how long a machine runs without a break to cool something down.

    Parameters
    ----------
    heat_j_per_k : float
        Heat capacity of all that is cooled. [J/K]
    gain_w_per_k, cooling_w : float
        Of cabinet and machine, both constant. [W/K, W]
    outside_c, from_c, to_c : float
        [°C]

    Returns
    -------
    float
        ``C / UA ln((T0 - Te) / (T1 - Te))``, ``Te = Ta - Q / UA``; infinite where it never gets there. [h]
    """
    end_c = outside_c - cooling_w / gain_w_per_k
    if to_c <= end_c:
        return math.inf
    if from_c <= to_c:
        return 0.0
    return heat_j_per_k / gain_w_per_k * math.log((from_c - end_c) / (to_c - end_c)) / 3600.0


@dataclass
class Heat:
    """Heat of one cabinet in many drawn trips at once; arrays of any one shape."""

    air_c: FloatArray
    food_kj_per_kg: FloatArray
    fresh_kg: FloatArray
    fresh_c: FloatArray

    def load(self, kg: FloatArray, warm_c: FloatArray) -> None:
        """Take something in; it mixes with what was put in before and is not quite cold yet."""
        total = self.fresh_kg + kg
        self.fresh_c = (self.fresh_kg * self.fresh_c + kg * warm_c) / np.maximum(total, 1e-9)
        self.fresh_kg = total


def step(
    heat: Heat, cabinet: Cabinet, *, outside_c: FloatArray, gain_w_per_k: FloatArray, cooling_w: FloatArray,
    use_w: FloatArray, powered: FloatArray, step_s: float, cycling: FloatArray | float = 0.0,
) -> FloatArray:  # fmt: skip
    """Carry a cabinet on by one step and return the share of the step its machine ran.

    The thermostat is taken as ideal: the machine runs just as long as brings the air to the set point at the
    end of the step, if it can. The air is solved at the end of the step, so that no step is too long for it.

    Parameters
    ----------
    heat : Heat
        Changed in place.
    cabinet : Cabinet
        Set point, food and what does not vary between drawn trips.
    outside_c, gain_w_per_k, cooling_w, use_w : float64
        Air around the cabinet, heat gain, rated cooling, and heat of use. [°C, W/K, W, W]
    powered : float64
        1 where the machine has power, else 0.
    step_s : float
        [s]
    cycling : float or float64
        Cooling added for each share of the time the machine rests. [1]

    Returns
    -------
    float64
        [1]
    """
    frozen = cabinet.frozen
    inside_c = food_c(heat.food_kj_per_kg, frozen=frozen)
    to_food = cabinet.food_w_per_k
    to_fresh = FRESH_W_PER_K_KG * heat.fresh_kg
    held = AIR_AND_LINER_J_PER_K / step_s
    into = held * heat.air_c + gain_w_per_k * outside_c + to_food * inside_c + to_fresh * heat.fresh_c + use_w
    links = held + gain_w_per_k + to_food + to_fresh
    available = cooling_w * cooling_share(outside_c, heat.air_c - cabinet.set_point_c)
    rated = np.clip((into - links * cabinet.set_point_c) / available, 0.0, 1.0)
    available = available * (1.0 + cycling * (1.0 - rated))
    duty = np.clip((into - links * cabinet.set_point_c) / available, 0.0, 1.0) * powered
    heat.air_c = (into - duty * available) / links
    gained = to_food * (heat.air_c - inside_c) * step_s / (1000.0 * cabinet.food_kg)
    heat.food_kj_per_kg = heat.food_kj_per_kg + gained
    pull = 1.0 - math.exp(-FRESH_W_PER_K_KG * step_s / DRINK_J_PER_KG_K)
    heat.fresh_c = heat.fresh_c + pull * (heat.air_c - heat.fresh_c)
    return duty
