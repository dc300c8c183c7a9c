"""What a page needs of the records as a whole: looked over, written into a file, a person taken out."""

from dataclasses import dataclass
from pathlib import Path
from typing import Literal, Protocol

from services.records.auditdesk import LastVerified
from services.records.chaincheck import Checked, Fault
from services.records.forgetting import Forgotten

__all__ = [
    "Checked",
    "Fault",
    "Forgotten",
    "Form",
    "LastVerified",
    "RecordsFile",
    "RecordsRoom",
    "RecordsState",
    "Task",
]

Form = Literal["csv", "parquet", "json"]
"""How an export is written."""


@dataclass(frozen=True, slots=True)
class RecordsFile:
    """An export that waits to be fetched."""

    token: str
    """The last part of its address."""
    path: Path
    form: Form
    size_bytes: int
    sha256: str
    made_ms: int
    ends_ms: int
    who: str


@dataclass(slots=True)
class Task:
    """Something that takes long, while it is done and afterwards."""

    kind: Literal["verify", "export", "forget"]
    who: str
    begun_ms: int
    ended_ms: int | None = None
    done: int = 0
    of: int = 0
    """Records looked at, of so many."""
    refused: str = ""
    """Why it came to nothing."""
    checked: Checked | None = None
    forgotten: Forgotten | None = None


@dataclass(frozen=True, slots=True)
class RecordsState:
    """How the records stand."""

    links: int
    head: str
    verified: LastVerified | None
    keep_days: int
    task: Task | None
    """What is being done, or was done last since this process began."""
    files: tuple[RecordsFile, ...]
    """Newest first."""


class RecordsRoom(Protocol):
    """Where it is done, one thing at a time; the composition root puts one on the application."""

    def state(self) -> RecordsState:
        """Return how the records stand."""

    def verify(self, head: str, *, who: str) -> None:
        """Begin to look over every record; `head` is a link noted earlier, or empty."""

    def export(self, form: Form, *, who: str) -> None:
        """Begin to write everything into one file."""

    def forget(self, name: str, *, who: str) -> None:
        """Begin to take a person out."""

    def file(self, token: str) -> RecordsFile | None:
        """Return an export that has not ended yet, None where there is none under this address."""
