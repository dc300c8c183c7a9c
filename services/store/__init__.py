"""Where samples are kept: one Protocol, one test suite, several databases."""

from services.store.protocol import (
    Appended,
    Change,
    Latest,
    Reject,
    Skipped,
    StoreReader,
    TelemetryStore,
    Waiting,
)

__all__ = ["Appended", "Change", "Latest", "Reject", "Skipped", "StoreReader", "TelemetryStore", "Waiting"]
