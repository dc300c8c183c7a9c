"""Where samples are kept: one Protocol, one test suite, several databases."""

from services.store.protocol import (
    Appended,
    Batch,
    Change,
    Latest,
    Message,
    Reject,
    Skipped,
    StoreReader,
    TelemetryStore,
    UnitStatus,
    Waiting,
    WaitingPack,
)

__all__ = [
    "Appended",
    "Batch",
    "Change",
    "Latest",
    "Message",
    "Reject",
    "Skipped",
    "StoreReader",
    "TelemetryStore",
    "UnitStatus",
    "Waiting",
    "WaitingPack",
]
