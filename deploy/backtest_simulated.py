"""Simulates a year for the back-test of findings: faults drawn by the seed, months side by side."""

import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from deploy.backtest_hotday import hot_days
from deploy.simulate_files import FLUSH_MS, write_settings
from deploy.simulate_logs import Logs
from deploy.simulating import Job
from firmware_sim.faults import Faults
from firmware_sim.pieces import RUN_IN_D, Pieces
from firmware_sim.scenarios.drawing import drawn
from firmware_sim.scenarios.joined import Scenario
from firmware_sim.truth import SCHEMA, faults_told, food_told
from services.telemetry import FloatArray, IntArray
from services.timebase import iso_of

SCENARIO = "fleet_year"
MONTHS = 12

Read = tuple[IntArray, dict[str, FloatArray]]


def simulate_year(seed: int, folder: Path, *, say: Callable[[str], None] = lambda _: None) -> None:
    """Draw and simulate a year; writes logs as Parquet, the fleet file, and of the truth faults and food."""
    job = Job.of(Path(SCENARIO), units=None, days=None, end=None)
    start_ms, end_ms = job.stretch_ms()
    folder.mkdir(parents=True, exist_ok=True)
    write_year(drawn(job.scenario, seed), folder, start_ms=start_ms, end_ms=end_ms, pieces=MONTHS, say=say)


def write_year(
    scenario: Scenario,
    folder: Path,
    *,
    start_ms: int,
    end_ms: int,
    pieces: int,
    run_in_d: int = RUN_IN_D,
    say: Callable[[str], None] = lambda _: None,
) -> None:
    """Simulate a stretch in pieces side by side and write it in order of time."""
    run = Pieces(scenario, start_ms=start_ms, end_ms=end_ms, pieces=pieces, run_in_d=run_in_d)
    with Logs(scenario, folder, anchor_ms=end_ms, text=False) as logs:
        read: dict[int, list[Read]] = {}
        food: dict[int, list[tuple[IntArray, FloatArray]]] = {}
        for piece, block in run.blocks():
            read.setdefault(piece, []).append((block.t_ms, logs.read(block)))
            food.setdefault(piece, []).append((block.t_ms, np.asarray(block.true["food_c"])))
            if piece == 0 and block.t_ms[-1] % FLUSH_MS == 0:
                say(f"simulated until {iso_of(int(block.t_ms[-1]))}, and as far in every other piece")
        for piece in sorted(read):
            for t_ms, shown in read.pop(piece):
                logs.take_read(t_ms, shown)
            logs.flush()
    in_order = [part for piece in sorted(food) for part in food[piece]]
    told = {
        "schema": SCHEMA,
        "scenario": scenario.name,
        "seed": scenario.seed,
        "from": iso_of(start_ms),
        "to": iso_of(end_ms),
        "units": food_told(scenario, in_order, start_ms=start_ms, end_ms=end_ms),
        "faults": _faults_told(scenario, end_ms),
    }
    (folder / "truth.json").write_text(json.dumps(told, allow_nan=False) + "\n", encoding="utf-8")
    write_settings(scenario, folder)


def _faults_told(scenario: Scenario, end_ms: int) -> list[dict[str, Any]]:
    """Return faults as the truth file tells them, with from when on food is at risk on a design hot day."""
    gone_wrong = Faults(scenario, anchor_ms=end_ms).told()
    told = faults_told(gone_wrong)
    for entry, fault, share in zip(told, gone_wrong, hot_days(scenario, end_ms=end_ms), strict=True):
        if share is not None and math.isfinite(share):
            entry["hot_day"] = iso_of(round(fault.begins_ms + share * (fault.full_ms - fault.begins_ms)))
        elif share is not None:
            entry["hot_day"] = "always" if math.isnan(share) else "never"
    return told
