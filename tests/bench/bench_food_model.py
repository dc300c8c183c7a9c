"""How far modelled food is from the simulator's true core, for every scenario of the library.

Run ``python -m tests.bench.bench_food_model [--days N] [--check]``; ``--check`` exits 1 when any cabinet is
under-counted by more than 10 min or 10 %. The simulator is no outside check: we wrote both.
"""

import argparse
import sys
import tempfile
import tomllib
from pathlib import Path

from tests.helpers.simulated import ALLOWED_MIN, ALLOWED_SHARE, compared, run_of, scenarios, with_faults

SHORT_DAYS = {"fleet_year": 7.0, "failing_battery": 12.0, "quiet_ridge": 10.0}
"""Of scenarios that run for longer than a bench should."""
STOPS = """
[[fault]]
kind = "compressor_stalled"
unit = "trailer-frozen"
begins_d_before = 6.5
lasts_h = 60
[[fault]]
kind = "compressor_stalled"
unit = "camp-kitchen"
begins_d_before = 5
lasts_h = 9
[[fault]]
kind = "compressor_stalled"
unit = "truck-1-meat"
begins_d_before = 5
lasts_h = 20
[[fault]]
kind = "lid_ajar"
unit = "truck-2-meat"
begins_d_before = 4
lasts_h = 6
[[fault]]
kind = "overload"
unit = "camp-medicine"
begins_d_before = 3
"""
"""Machines that stand still, a lid ajar, warm food put in: what a quiet library shows too little of."""

HEAD = (
    f"{'scenario':<24}{'rows':>6}{'warm':>6}{'mean bias':>11}{'ratio':>9}{'under':>9}{'missed':>9}"
    f"{'over':>10}  worst over"
)
"""Ratio: counted over true minutes where there were any. Under: worst under-count, unknown time counted.
Missed: most true minutes of one row in which the model counted nothing and knew no gap."""


def paths(folder):
    """Yield every scenario's name, file and days; the last is a quiet week with stops."""
    for name, path in scenarios().items():
        yield name, path, SHORT_DAYS.get(name)
    yield "quiet_week with stops", with_faults(Path(folder), "quiet_week", STOPS), None


def row_of(name, rows):
    """Return one line of the table."""
    short = [max(0.0, r.true_min - r.modelled_min - r.unknown_min) for r in rows]
    warm = [r for r in rows if r.true_min > 0]
    counted = sum(r.modelled_min for r in warm) / max(sum(r.true_min for r in warm), 1e-9)
    bias = sum(r.over_min for r in rows) / len(rows)
    worst = max(rows, key=lambda r: r.over_min)
    return (
        f"{name:<24}{len(rows):>6}{len(warm):>6}{bias:>11.0f}{counted:>9.2f}{max(short):>9.1f}"
        f"{max(r.missed_min for r in rows):>9.1f}{worst.over_min:>10.0f}  {worst.unit} {worst.limit_c:g} °C"
    )


def main(arguments=None):
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=float, help="days of each scenario; else its own, at most twelve")
    parser.add_argument("--check", action="store_true", help="exit 1 when food is under-counted")
    options = parser.parse_args(arguments)
    print("minutes of modelled food against the simulated core; rows are cabinets x limits; the simulator is")
    print("no outside check: we wrote both")
    print(HEAD)
    faults = []
    with tempfile.TemporaryDirectory() as folder:
        for name, path, days in paths(folder):
            wanted = options.days or days or min(12.0, tomllib.loads(path.read_text())["scenario"]["days"])
            rows = list(compared(run_of(path, days=wanted, units=24 if name == "fleet_year" else None)))
            faults += [r for r in rows if not r.within]
            print(row_of(name, rows), flush=True)
    for r in faults:
        counted = f"true {r.true_min:.0f}, counted {r.modelled_min:.0f}"
        print(f"UNDER {r.scenario} {r.unit} {r.limit_c:g} °C: {counted}")
    print(f"under-counted by more than {ALLOWED_MIN:g} min or {ALLOWED_SHARE:.0%}: {len(faults)}")
    return 1 if options.check and faults else 0


if __name__ == "__main__":
    sys.exit(main())
