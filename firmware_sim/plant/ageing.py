"""How banks wear: by use and by standing, the shorter life governs."""

import numpy as np

from firmware_sim.plant.battery import Chemistry
from services.telemetry import FloatArray

WORN_OUT_LOSS = 0.2
"""Capacity lost at the end of a life. [1] IEEE Std 450 and 1188 replace below 80 %, from memory."""

CYCLE_LIFE: dict[Chemistry, float] = {"flooded": 400.0, "agm": 300.0, "gel": 350.0, "lifepo4": 2800.0}
"""Full capacities a bank gives in its life: 800, 600 and 700 cycles to 50 %, 3500 to 80 %. [1]
Within common practice (500-1200, 400-800, 2000-5000), no source."""

STANDING_LIFE_Y: dict[Chemistry, float] = {"flooded": 6.0, "agm": 6.0, "gel": 8.0, "lifepo4": 12.0}
"""At 25 °C. [years] Judgement."""

HALVING_K: dict[Chemistry, float] = {"flooded": 8.0, "agm": 8.0, "gel": 8.0, "lifepo4": 10.0}
"""A standing life halves with so much heat. [K] Lead 8 K: IEEE Std 450 and 1188 guidance, from memory."""

HUNGRY_H = 240.0
"""Lead wears by use twice as fast when so long not charged full, at most three times. [h] Incomplete
recharge is the first cause of early loss in solar systems (Hund, Sandia, abstract); the size is judgement."""

OHM_PER_LOSS = 2.0
"""Rise of the resistance over the loss of capacity: 40 % at 20 %. [1] IEEE Std 1188 tests or replaces at
30-50 %, from memory."""

YEAR_S = 365.25 * 86_400.0


def lost_share(used: FloatArray, stood: FloatArray) -> FloatArray:
    """Return the capacity lost when so much of both lives is over, at most 90 %.

    The shorter life governs: Spiers and Rasinkoski, Solar Energy 58 (1996) 147-154, abstract.
    """
    lost: FloatArray = np.minimum(WORN_OUT_LOSS * np.maximum(used, stood), 0.9)
    return lost


def used_in(
    given_ah: FloatArray,
    *,
    full_ah: FloatArray,
    life: FloatArray,
    hungry_h: FloatArray,
    lead: FloatArray,
) -> FloatArray:
    """Return the share of a life by use that giving so much charge costs; see `HUNGRY_H`."""
    hunger = 1.0 + lead * np.minimum(hungry_h / HUNGRY_H, 2.0)
    share: FloatArray = given_ah / (full_ah * life) * hunger
    return share


def stood_in(
    seconds: float, temperature_c: FloatArray, *, life_y: FloatArray, halving_k: FloatArray
) -> FloatArray:
    """Return the share of a standing life that time at a temperature costs."""
    share: FloatArray = seconds / YEAR_S / life_y * 2.0 ** ((temperature_c - 25.0) / halving_k)
    return share
