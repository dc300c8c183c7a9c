"""What was said on a phone and kept there until it could be sent: its key, and when it truly was said."""

import json
from dataclasses import dataclass

from services.errors import BushlarderError, Refused
from services.timebase import HOUR_MS, MINUTE_MS

LONGEST_KEPT_MS = 72 * HOUR_MS
"""As long as anything may lie back that people say of food (judgement, no source)."""
AGREES_MS = 5 * MINUTE_MS
"""A phone's clock that went this far from ours since the word was said was set meanwhile (judgement)."""

TOO_OLD = "it was kept on the phone for more than 72 hours"
WAS_SET = "the clock of the phone was set between writing it and sending it"


class AlreadyWrittenError(BushlarderError):
    """The same word came before, under the same key: it stands in the records once."""


@dataclass(frozen=True, slots=True)
class Kept:
    """How one word came here from a phone or a program."""

    key: str
    """Made where it was said; whatever comes again under it is the same word."""
    received_ms: int
    """By our own clock. [ms since 1970-01-01 UTC]"""
    said_ms: int | None = None
    """When it was said, by the phone's clock; None of a program that only gives a key."""
    sent_ms: int | None = None
    """When it was sent, by the phone's clock."""
    offset_ms: int | None = None
    """By how much the phone's clock was ahead of ours when last compared before it was said."""

    @property
    def ahead_ms(self) -> int | None:
        """By how much the phone's clock is ahead of ours now, the way here included."""
        return None if self.sent_ms is None else self.sent_ms - self.received_ms

    @property
    def doubt(self) -> str:
        """Why nobody can tell when it was said; empty when it can be told.

        How long it was kept is counted on the phone's own clock, so a clock that is wrong by the
        same amount all the time does no harm.
        """
        if self.said_ms is None or self.sent_ms is None or self.ahead_ms is None:
            return ""
        if self.sent_ms < self.said_ms:
            return WAS_SET
        if self.offset_ms is not None and abs(self.ahead_ms - self.offset_ms) > AGREES_MS:
            return WAS_SET
        return TOO_OLD if self.sent_ms - self.said_ms > LONGEST_KEPT_MS else ""

    @property
    def moment_ms(self) -> int:
        """When it was said, by our clock; when it came, where that cannot be told."""
        if self.said_ms is None or self.sent_ms is None or self.doubt:
            return self.received_ms
        return self.received_ms - (self.sent_ms - self.said_ms)

    def certain_ms(self) -> int:
        """Return when it was said, for words that food is judged on.

        Raises
        ------
        Refused
            Where nobody can tell: a reading of no known moment is none.
        """
        if self.doubt:
            raise Refused(f"Nobody can tell when this was: {self.doubt}. Look again and say it anew.")
        return self.moment_ms

    @property
    def times(self) -> str | None:
        """Both clocks as they are kept beside the word, as JSON; None of a program."""
        if self.said_ms is None:
            return None
        found = {"said": self.said_ms, "sent": self.sent_ms, "received": self.received_ms}
        return json.dumps({**found, "ahead_ms": self.ahead_ms, "doubt": self.doubt})
