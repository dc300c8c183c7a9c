"""A store's writer as a process of its own, to be killed: python -m tests.helpers.store_process FILE SEED.

Samples come in a jumble, some late by weeks and some again, and between the commits the store is tidied with
a clock that runs fast. Each line on standard output names the sample numbers of a commit that returned.
"""

import random
import sys
from pathlib import Path

import structlog

from services.store.sqlite import SqliteStore
from services.telemetry import Sample
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS
from tests.helpers.hour_rule import RuleFor

UNITS = ("v3-meat", "v3-drinks")
START_MS = 1_759_708_800_000
STEP_MS = 7 * MINUTE_MS
RULE = RuleFor(20.0)
TOTAL = 500_000
BATCH = 400


def sample_of(unit: str, sq: int) -> Sample:
    """Return the sample of a number; its values follow from it."""
    values: dict[str, float | bool | str] = {
        "cabinet": (sq * 7919 % 13_000) / 1000,
        "compressor": sq % 3 == 0,
    }
    if sq % 4 == 0:
        values["supply"] = "battery" if sq % 8 else "solar"
    return Sample(unit, 1, sq, START_MS + sq * STEP_MS, 2, values)


def main(path: Path, seed: int) -> None:
    """Write and tidy until killed or done."""
    structlog.configure(logger_factory=structlog.PrintLoggerFactory(sys.stderr))
    rng = random.Random(seed)  # noqa: S311 - moments, not secrets
    store = SqliteStore(path, seal_after_days=2.0, rule=RULE)
    held = [store.newest_sq(unit).get(1, -1) for unit in UNITS]
    while min(held) < TOTAL:
        for place, unit in enumerate(UNITS):
            front = held[place] + 1 + BATCH
            fresh = {sq for sq in range(held[place] + 1, front) if rng.random() < 0.9}
            late = {rng.randrange(front) for _ in range(10)}  # some of them never sent, some sent before
            numbers = sorted(fresh | late)
            now_ms = START_MS + front * STEP_MS
            store.append([sample_of(unit, sq) for sq in numbers], received_ms=now_ms)
            print(unit, *numbers, flush=True)
            held[place] = front - 1
        for _ in range(6):
            store.tidy(START_MS + max(held) * STEP_MS + 3 * DAY_MS + rng.randrange(2 * HOUR_MS))
    store.close()
    print("done", flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]))
