"""The control law: when the compressor runs, and how a unit guards its battery and its machine.

It is written over arrays so that a simulated fleet decides in one go; a board runs it with arrays of one.
What it sees is what a board sees: its own probe, the volts at its own terminals, whether the machine turns.
"""

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from services.telemetry import FloatArray, IntArray

BoolArray = npt.NDArray[np.bool_]

MOST_TRIES = 5
"""Starts tried in a row before the machine is left alone. Common practice, no source."""

RETRY_S = 60.0
"""Pause between them. [s] Common practice, no source."""

GIVEN_UP_S = 1800.0
"""How long it is then left alone. [s] Judgement."""

BLIND_CYCLE_S = 2400.0
BLIND_SHARE = 0.5
"""Without a probe the machine runs this share of each cycle, so that food is kept cool. Judgement."""

REVIVAL_RATIO = 1.04
"""Electronics that went out for want of voltage come back this far above where they went. [1] Judgement."""

DEAD_V = 1.0
"""Below it nothing is fed at all. [V]"""

FULL_SPEED_AT_K = 4.0
"""A variable-speed machine runs full this far above the set point. [K] Judgement."""

LONG_REST_S = 3600.0
"""What a unit that is switched on for the first time believes of its machine's rest. [s]"""


@dataclass(frozen=True)
class Limits:
    """Settings of each unit, arrays of (n,)."""

    set_point_c: FloatArray
    half_differential_k: FloatArray
    cutout_v: FloatArray
    """Zero where there is no battery to guard."""
    restart_v: FloatArray
    cutout_delay_s: FloatArray
    """How long the volts must be low while it runs."""
    restart_delay_s: FloatArray
    """How long they must be back before it may run again."""
    rest_s: FloatArray
    """Shortest stop: pressures must even out."""
    brownout_v: FloatArray
    """Below it the electronics go out; zero never."""
    lowest_speed_share: FloatArray
    """One for a machine of fixed speed."""


@dataclass
class Control:
    """What the law remembers from step to step, arrays of (n,)."""

    alive: BoolArray
    """Electronics on."""
    wants: BoolArray
    """The thermostat asks for cooling."""
    on: BoolArray
    """The machine is told to run."""
    locked: BoolArray
    """Held off for want of voltage."""
    low_s: FloatArray
    high_s: FloatArray
    still_s: FloatArray
    tries: IntArray
    """Failed starts in a row."""
    wait_s: FloatArray
    """Pause left after a failed start."""
    blind_s: FloatArray
    """Place in the cycle that is run without a probe."""
    speed_share: FloatArray
    """Asked speed over full speed; zero while off."""
    cutouts: IntArray
    failed_starts: IntArray
    boots: IntArray
    """Counts since the unit was made; for events."""

    @staticmethod
    def start(units: int) -> "Control":
        """Return units just switched on, their machines long at rest."""
        return Control(
            alive=np.ones(units, dtype=bool),
            wants=np.zeros(units, dtype=bool),
            on=np.zeros(units, dtype=bool),
            locked=np.zeros(units, dtype=bool),
            low_s=np.zeros(units),
            high_s=np.zeros(units),
            still_s=np.full(units, LONG_REST_S),
            tries=np.zeros(units, dtype=np.int64),
            wait_s=np.zeros(units),
            blind_s=np.zeros(units),
            speed_share=np.zeros(units),
            cutouts=np.zeros(units, dtype=np.int64),
            failed_starts=np.zeros(units, dtype=np.int64),
            boots=np.ones(units, dtype=np.int64),
        )

    def arrays(self) -> dict[str, npt.NDArray[np.generic]]:
        """Return it by name, for keeping."""
        return {field.name: getattr(self, field.name) for field in fields(self)}


def decide(
    limits: Limits,
    state: Control,
    *,
    probe_c: FloatArray,
    terminal_v: FloatArray,
    turning: BoolArray,
    step_s: float,
) -> None:
    """Move the law one step on, in place: which machines run in the coming step, and how fast.

    Parameters
    ----------
    limits : Limits
        Settings.
    state : Control
        Memory; `on` and `speed_share` are the decision.
    probe_c : (n,) float64
        What the thermostat's probe shows now; NaN when it is open. [°C]
    terminal_v : (n,) float64
        Supply at the unit's terminals in the step that has passed. [V]
    turning : (n,) bool
        Whether the machine turned in the step that has passed.
    step_s : float
        Length of the coming step, and of the one that has passed. [s]
    """
    _electronics(limits, state, terminal_v)
    _supply(limits, state, terminal_v, step_s)
    _thermostat(limits, state, probe_c, step_s)
    _starts(state, turning, step_s)
    may = state.on | ((state.still_s >= limits.rest_s) & (state.wait_s <= 0.0))
    state.on = state.wants & ~state.locked & may & state.alive
    state.still_s = np.where(state.on, 0.0, state.still_s + step_s)
    state.speed_share = _speed(limits, state, probe_c)


def _electronics(limits: Limits, state: Control, terminal_v: FloatArray) -> None:
    """Let electronics go out and come back; what they had in mind is then forgotten."""
    floor = np.where(state.alive, limits.brownout_v, limits.brownout_v * REVIVAL_RATIO)
    alive = terminal_v >= np.maximum(floor, DEAD_V)
    if alive.all() and state.alive.all():
        return
    back = alive & ~state.alive
    forgets = ~alive | back
    state.on &= alive
    state.wants &= ~forgets
    state.locked = np.where(forgets, back & (terminal_v < limits.cutout_v), state.locked)
    for memory in (state.low_s, state.high_s, state.wait_s, state.blind_s, state.still_s):
        memory[forgets] = 0.0  # a machine that may just have stopped gets its rest
    state.tries[forgets] = 0
    state.boots[back] += 1
    state.alive = alive


def _supply(limits: Limits, state: Control, terminal_v: FloatArray, step_s: float) -> None:
    """Cut out after the volts were low for the delay while it ran; let go after they were back for theirs."""
    low = state.on & (terminal_v < limits.cutout_v)
    state.low_s = np.where(low, state.low_s + step_s, 0.0)
    trip = state.low_s > limits.cutout_delay_s
    state.low_s[trip] = 0.0
    high = state.locked & (terminal_v >= limits.restart_v)
    state.high_s = np.where(high, state.high_s + step_s, 0.0)
    enough = high & (state.high_s >= limits.restart_delay_s - 1e-6)
    state.cutouts += trip & ~state.locked
    state.locked = (state.locked & ~enough) | trip


def _thermostat(limits: Limits, state: Control, probe_c: FloatArray, step_s: float) -> None:
    """Ask for cooling from the upper to the lower end of the differential; without a probe by the clock."""
    warm = probe_c >= limits.set_point_c + limits.half_differential_k
    cold = probe_c <= limits.set_point_c - limits.half_differential_k
    state.wants = (state.wants | warm) & ~cold
    blind = np.isnan(probe_c)
    if blind.any():
        state.blind_s[~blind] = 0.0
        state.wants = np.where(blind, state.blind_s < BLIND_SHARE * BLIND_CYCLE_S, state.wants)
        state.blind_s[blind] = np.fmod(state.blind_s[blind] + step_s, BLIND_CYCLE_S)
    else:
        state.blind_s.fill(0.0)
    state.wants &= state.alive


def _starts(state: Control, turning: BoolArray, step_s: float) -> None:
    """Stop a machine that was told to run and does not turn, and count how often in a row."""
    state.wait_s = np.maximum(state.wait_s - step_s, 0.0)
    state.tries[state.on & turning] = 0
    stalled = state.on & ~turning
    if not stalled.any():
        return
    state.failed_starts += stalled
    state.tries += stalled
    gave_up = stalled & (state.tries >= MOST_TRIES)
    state.wait_s = np.where(stalled, np.where(gave_up, GIVEN_UP_S, RETRY_S), state.wait_s)
    state.tries[gave_up] = 0
    state.on = state.on & ~stalled
    state.still_s = np.where(stalled, LONG_REST_S, state.still_s)  # it never ran: only the pause counts


def _speed(limits: Limits, state: Control, probe_c: FloatArray) -> FloatArray:
    """Return the asked speed: lowest at the set point, full some kelvins above and without a probe."""
    above = np.where(np.isnan(probe_c), FULL_SPEED_AT_K, probe_c - limits.set_point_c) / FULL_SPEED_AT_K
    lowest = limits.lowest_speed_share
    asked = lowest + (1.0 - lowest) * np.minimum(np.maximum(above, 0.0), 1.0)
    share: FloatArray = np.where(state.on, asked, 0.0)
    return share
