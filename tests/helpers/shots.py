"""Where browser tests leave what they saw."""

from pathlib import Path

SHOTS = Path(__file__).resolve().parents[2] / "build" / "screenshots"
SHOTS.mkdir(parents=True, exist_ok=True)
