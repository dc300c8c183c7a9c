"""The contract with the units: topics, packs, channels and the columnar form of samples."""

from services.telemetry._channels import (
    BOOLEAN_COLUMNS,
    CHANNELS,
    COLUMNS,
    NUMERIC_COLUMNS,
    TEXT_COLUMNS,
    Channel,
)
from services.telemetry._samples import FloatArray, IntArray, Rejected, Sample, Series, Value, milli_of

__all__ = [
    "BOOLEAN_COLUMNS",
    "CHANNELS",
    "COLUMNS",
    "NUMERIC_COLUMNS",
    "TEXT_COLUMNS",
    "Channel",
    "FloatArray",
    "IntArray",
    "Rejected",
    "Sample",
    "Series",
    "Value",
    "milli_of",
]
