"""What looking back needs of the records; the facade in services.records is the real one."""

from collections.abc import Collection, Mapping, Sequence
from typing import Any, Literal, Protocol

from services.domain import Bank, BatchCard, BatchEvent, BatchVerdict, PhoneTimes, Site, Unit, Verdict


class Said(Protocol):
    """A statement as the records hand it out."""

    @property
    def id(self) -> int:
        """Number of the statement, rising."""

    @property
    def unit(self) -> str:
        """The unit it is about."""

    @property
    def t_ms(self) -> int:
        """When it was said, in ms since 1970-01-01 UTC."""

    @property
    def who(self) -> str:
        """The person's name."""

    @property
    def kind(self) -> str:
        """What kind of statement it is."""

    @property
    def body(self) -> Mapping[str, Any]:
        """What was said."""

    @property
    def signed(self) -> str | None:
        """How it was signed: ``account`` by a person who had logged in."""

    @property
    def phone(self) -> PhoneTimes | None:
        """Both clocks of what was kept on a phone until it could be sent."""


class ToldOfBatch(Protocol):
    """Something of a batch as the records hand it out."""

    @property
    def told(self) -> BatchEvent | BatchVerdict:
        """What was said or concluded."""

    @property
    def unit(self) -> str | None:
        """The cabinet it lay in then."""


class ChangedVerdict(Protocol):
    """A change of a cabinet's own verdict as the records hand it out."""

    @property
    def unit(self) -> str:
        """The cabinet."""

    @property
    def t_ms(self) -> int:
        """The moment the verdict is about."""

    @property
    def recorded_ms(self) -> int:
        """When it was worked out."""

    @property
    def computed(self) -> Verdict:
        """What readings alone say."""

    @property
    def standing(self) -> Verdict:
        """What stands."""

    @property
    def standing_before(self) -> Verdict | None:
        """What stood before."""

    @property
    def origin(self) -> str:
        """live, late or person."""

    @property
    def why(self) -> str:
        """The reason."""


class DescribedAnew(Protocol):
    """A cabinet, place or bank that was described anew, as the records hand it out."""

    @property
    def t_ms(self) -> int:
        """Since when it holds."""

    @property
    def said_ms(self) -> int:
        """When it was said."""

    @property
    def who(self) -> str:
        """Who did it."""

    @property
    def signed(self) -> str | None:
        """How it was signed: ``account`` by a person who had logged in."""

    @property
    def why(self) -> str:
        """The reason; empty where none was asked for."""

    @property
    def kind(self) -> Literal["unit", "site", "bank"]:
        """What was described."""

    @property
    def key(self) -> str:
        """Its id."""

    @property
    def before(self) -> Unit | Site | Bank | None:
        """How it was described before; None of a new one."""

    @property
    def after(self) -> Unit | Site | Bank | None:
        """How it is described from then on; None of one that was taken off the list."""


class Happened(Protocol):
    """Something that happened to the house itself, as the records hand it out."""

    @property
    def t_ms(self) -> int:
        """When, in ms since 1970-01-01 UTC."""

    @property
    def kind(self) -> str:
        """What kind of thing it was."""

    @property
    def about(self) -> str:
        """The unit, part, person, device or token it is about."""


class AccountEvent(Happened, Protocol):
    """Something that happened to an account, a device or a token, as the records hand it out."""

    @property
    def who(self) -> str:
        """Who did it."""

    @property
    def body(self) -> Mapping[str, Any]:
        """Role and places that go with it."""


class HistoryBook(Protocol):
    """What looking back needs of the records."""

    def statements_between(
        self, start_ms: int, end_ms: int, *, units: Collection[str] | None, limit: int
    ) -> Sequence[Said]:
        """Return what people said of cabinets."""

    def unit_verdicts_between(
        self, start_ms: int, end_ms: int, *, units: Collection[str] | None, limit: int
    ) -> Sequence[ChangedVerdict]:
        """Return changes of cabinets' own verdicts."""

    def batch_events_between(
        self, start_ms: int, end_ms: int, *, units: Collection[str] | None, limit: int
    ) -> Sequence[ToldOfBatch]:
        """Return what was said of batches."""

    def batch_verdicts_between(
        self, start_ms: int, end_ms: int, *, units: Collection[str] | None, limit: int
    ) -> Sequence[ToldOfBatch]:
        """Return changes of batches' verdicts."""

    def descriptions_between(
        self, start_ms: int, end_ms: int, *, units: Collection[str] | None, limit: int
    ) -> Sequence[DescribedAnew]:
        """Return how cabinets, places and banks were described anew."""

    def account_events_between(self, start_ms: int, end_ms: int, *, limit: int) -> Sequence[AccountEvent]:
        """Return what happened to accounts, devices and tokens."""

    def corrected_by(self, lines: Collection[int], units: Collection[str]) -> Mapping[int, int]:
        """Return the newest line that corrects each of some lines of some units, where one does."""

    def batches_discarded(self, start_ms: int, end_ms: int) -> Sequence[BatchCard]:
        """Return batches thrown away in a span."""
