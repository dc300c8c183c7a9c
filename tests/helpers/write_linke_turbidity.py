"""Writes the haze table of the simulator: ``python -m tests.helpers.write_linke_turbidity`` (needs pvlib)."""

import sys
from importlib import import_module
from pathlib import Path

import pandas as pd

FILE = Path(__file__).resolve().parents[2] / "firmware_sim" / "plant" / "data" / "linke_turbidity.csv"
LATITUDES = [-35.0 + 2.5 * k for k in range(21)]
LONGITUDES = [10.0 + 2.5 * k for k in range(15)]


def main() -> int:
    """Look every month up at every point and write the table."""
    pvlib = import_module("pvlib")
    middles = pd.to_datetime([f"2025-{month:02d}-15" for month in range(1, 13)]).tz_localize("UTC")
    lines = [
        "# Linke turbidity in the middle of each month, after Remund and others, Worldwide Linke turbidity",
        f"# information, ISES Solar World Congress 2003, as shipped with pvlib {pvlib.__version__}. Made by",
        "# tests/helpers/write_linke_turbidity.py.",
        "latitude_deg,longitude_deg," + ",".join(f"m{month}" for month in range(1, 13)),
    ]
    for latitude in LATITUDES:
        for longitude in LONGITUDES:
            found = pvlib.clearsky.lookup_linke_turbidity(middles, latitude, longitude)
            lines.append(f"{latitude:g},{longitude:g}," + ",".join(f"{value:.2f}" for value in found))
    FILE.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
