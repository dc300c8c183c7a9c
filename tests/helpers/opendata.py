"""Real measurements from the folder shared beside the project; never copied into it."""

import csv
from pathlib import Path

import pytest

SHARED = Path(__file__).resolve().parents[2].parent / "shared" / "opendata"


def opendata_folder() -> Path:
    """Return the folder of open data, or skip the test that asks for it."""
    if not SHARED.is_dir():
        pytest.skip("open data folder ../shared/opendata is not there")
    return SHARED


def opendata_rows(name: str) -> list[dict[str, str]]:
    """Return the rows of one file of the folder, for instance ``fridge_air_7d/fridge_air.csv``."""
    path = opendata_folder() / name
    if not path.is_file():
        pytest.skip(f"open data file {name} is not there")
    with path.open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))
