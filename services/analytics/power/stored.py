"""Units a person says are stored: they want no cooling, and their bank runs down slowly."""

import math
from dataclasses import dataclass

import numpy as np

from services.analytics.power.charge import ChargeState
from services.analytics.power.curves import curve_of
from services.analytics.power.cutouts import Event
from services.analytics.power.frame import BoolArray, Frame
from services.domain import Evidence, Finding, UnitSettings
from services.telemetry import FloatArray
from services.timebase import DAY_MS, HOUR_MS

HARM_SOC = {"flooded": 0.5, "agm": 0.5, "gel": 0.5, "lifepo4": 0.1}
"""Left standing lower it loses capacity for good: sulphate hardens in lead plates, and a lithium bank's board
lets go (judgement)."""
LEAK_DOUBLES_K = 10.0
"""Self-discharge doubles for so much warmth (from memory)."""
LEAK_RANGE = 2.0
"""How many times faster than the usual rate of its kind it may leak (judgement)."""
MONTH_H = 730.5
USUAL_C = 25.0
RESTING_MS = 12 * HOUR_MS
"""Stood still for so long, it is not running on its way to being stored (judgement)."""
CHARGED_MS = 3 * DAY_MS
"""What charged it this lately will again."""
SOON_D = 60.0
"""Told of at all from so many days on (judgement)."""
Z10 = 1.2815515655446004


@dataclass(frozen=True, slots=True)
class Standing:
    """What is needed of a bank that only stands."""

    soc: float
    soc_sd: float
    full_ah: float
    drawn_a: float
    """By electronics and other loads."""
    leak_per_month: float
    """At the temperature it stands at. [1]"""

    def days_until(self, soc: float, *, z: float = 0.0, leak_ratio: float = 1.0) -> float:
        """Return how long the charge takes to fall to a level [d], `z` deviations from its middle.

        Between load ``I`` and leak ``k q`` the charge obeys ``dq/dt = -I - k q``.
        """
        now_ah = min(max(self.soc + z * self.soc_sd, 0.0), 1.0) * self.full_ah
        then_ah = soc * self.full_ah
        if now_ah <= then_ah:
            return 0.0
        leak_per_h = leak_ratio * self.leak_per_month / MONTH_H
        if leak_per_h <= 0.0:
            return (now_ah - then_ah) / self.drawn_a / 24.0 if self.drawn_a > 0.0 else math.inf
        rate = (leak_per_h * now_ah + self.drawn_a) / (leak_per_h * then_ah + self.drawn_a)
        return math.log(rate) / leak_per_h / 24.0


def is_resting(frame: Frame, settings: UnitSettings) -> bool:
    """Return whether a person says that it is not in use, and it stands still."""
    if settings.unit.state == "in_use" or len(frame) == 0:
        return False
    recent = frame.t_ms >= int(frame.t_ms[-1]) - RESTING_MS
    return not bool(np.any(frame.on[recent]))


def no_runout(frame: Frame, settings: UnitSettings) -> str | None:
    """Return why no run-out can be built on these samples: nobody wants cold, or their voltage is doubted."""
    if is_resting(frame, settings):
        return "not in use, said by a person, and standing still: nothing to run out"
    return frame.voltage_doubt


def wanted(events: tuple[Event, ...], settings: UnitSettings) -> tuple[Event, ...]:
    """Return events without one that still stands where nobody wants it to cool.

    One that is empty may be cooling down for its load: what its supply did is kept.
    """
    if settings.unit.state == "in_use" or not events or events[-1].end_ms is not None:
        return events
    supply = events[-1].kind in {"low_voltage", "interrupted"}
    return events if settings.unit.state == "empty" and supply else events[:-1]


def standing_of(
    frame: Frame, settings: UnitSettings, state: ChargeState, *, full_ah: float, ah: FloatArray
) -> Standing | None:
    """Return the bank as it stands; None where its charge or its kind is not known."""
    curve, known = curve_of(settings)
    if state.soc is None or not known or len(frame) == 0:
        return None
    at = int(np.searchsorted(frame.t_ms, int(frame.t_ms[-1]) - RESTING_MS))
    hours = (int(frame.t_ms[-1]) - int(frame.t_ms[at])) / HOUR_MS
    around = frame.ambient_c[np.isfinite(frame.ambient_c)]
    around_c = float(np.median(around)) if around.size else USUAL_C
    return Standing(
        soc=state.soc,
        soc_sd=state.soc_sd,
        full_ah=full_ah,
        drawn_a=float(ah[-1] - ah[at]) / hours if hours > 0.0 else 0.0,
        leak_per_month=curve.leak_per_month * 2.0 ** ((around_c - USUAL_C) / LEAK_DOUBLES_K),
    )


def runs_down(
    frame: Frame,
    settings: UnitSettings,
    state: ChargeState,
    *,
    full_ah: float,
    ah: FloatArray,
    charging: BoolArray,
    as_of_ms: int,
) -> Finding | None:
    """Return the finding that the bank of a stored unit will be harmed, and until when to charge it."""
    if settings.bank is None or not settings.has_battery or not is_resting(frame, settings):
        return None
    if bool(np.any(charging[frame.t_ms >= int(frame.t_ms[-1]) - CHARGED_MS])):
        return None
    standing = standing_of(frame, settings, state, full_ah=full_ah, ah=ah)
    if standing is None:
        return None
    line = HARM_SOC[settings.bank.chemistry]
    early = standing.days_until(line, z=-Z10, leak_ratio=LEAK_RANGE)
    gone_d = (as_of_ms - int(frame.t_ms[-1])) / DAY_MS
    if early - gone_d > SOON_D:
        return None
    usual = standing.days_until(line)
    due_ms = max(as_of_ms, int(frame.t_ms[-1]) + round(early * DAY_MS))
    return Finding(
        finding="bank of a stored unit runs down",
        since=int(frame.t_ms[np.flatnonzero(frame.on)[-1]]) if bool(np.any(frame.on)) else int(frame.t_ms[0]),
        check=(
            "Charge it full before that day, then take everything off it at the isolator, or leave a charger"
            " with a float stage on it. Charge in the open air."
        ),
        due=due_ms,
        evidence=(
            Evidence(
                quantity=f"days until it stands at {line:.0%} charge, in nine of ten cases longer than",
                value=round(max(0.0, early - gone_d), 1),
                operator="<",
                threshold=SOON_D,
                unit="d",
                source=(
                    f"{standing.drawn_a:.2f} A drawn, {standing.leak_per_month:.1%} a month lost by standing"
                    f" (from memory), up to {LEAK_RANGE:g} times that; most likely {usual:.0f} d (judgement)"
                ),
            ),
        ),
    )
