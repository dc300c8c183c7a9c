"""A test after building or repairing a unit: twelve hours of running, or a hold-over with the power off."""

from typing import Annotated, Literal

from pydantic import Field, StringConstraints, model_validator

from services.domain._frozen import Frozen
from services.domain._reasoned import Instant, WithReasons

RUN_TEST_SCHEMA: Literal["bushlarder/runtest/1"] = "bushlarder/runtest/1"

RunTestKind = Literal["run", "hold_over"]
RunTestSaidKind = Literal["ambient", "lid", "note", "stopped"]
RunTestVerdict = Literal["pass", "fail", "not_valid", "measured", "running"]
"""`measured`: a number that nobody gave a requirement for; `running`: not over yet."""
RunTestKey = Literal[
    "length_h", "missing_share", "ambient_c", "lid_open_min", "supply_low_v", "set_point_moved_k",
    "pulldown_h", "mean_c", "min_c", "max_c", "kh_above", "duty", "starts_per_h", "current_a", "sag_v",
    "source_ohm", "slope", "slope_model", "faults",
    "start_c", "ran_min", "spacing_s", "crossing_gap_min", "hold_h", "tau_h", "tau_ratio", "hold_at_32_h",
    "hold_at_43_h",
]  # fmt: skip


class RunTestWords(Frozen):
    """What a person says of a test: who, of what, under which conditions, and what no channel measures."""

    serial: str = Field(default="", max_length=80)
    technician: str = Field(default="", max_length=80)
    load: str = Field(default="", max_length=200)
    """What is in it."""
    supply: str = Field(default="", max_length=200)
    own_supply: bool = True
    """Whether it runs from its own battery and cable; from a workshop's own lead, both say nothing."""
    vaccine: bool = False
    """Hold-over to +10 °C after the vaccine refrigerators' method, not to the food's own limit."""
    required_h: float | None = Field(default=None, gt=0, le=240, allow_inf_nan=False)
    """Hold-over that its operator asks for."""
    lid_shut: bool | None = None
    """The technician's word, where no channel tells."""
    ambient_by_hand_c: tuple[Annotated[float, Field(ge=-60, le=100, allow_inf_nan=False)], ...] = ()
    """Air around it, read by hand during the test, where no channel tells."""


class RunTestLine(WithReasons):
    """One quantity of a test, with its limit and where that comes from."""

    key: RunTestKey
    role: Literal["condition", "result", "told"]
    """A condition out of its limit makes the test not valid; a result out of it makes it fail."""
    state: Literal["within", "outside", "not_measured", "said", "told", "pending"]
    """`said`: nothing measured it, the technician's word stands; `pending`: its hours have not come yet."""
    value: float | None
    value_reason: str | None = None
    lowest: float | None = None
    lowest_reason: str | None = "no range"
    highest: float | None = None
    highest_reason: str | None = "no range"
    at_least: float | None = None
    at_least_reason: str | None = "no such limit"
    at_most: float | None = None
    at_most_reason: str | None = "no such limit"
    unit: str
    decides: bool = True
    """Whether not knowing it stands in the way of a pass."""
    source: str
    """Where the limit comes from."""

    @property
    def speaks(self) -> bool:
        """Whether this line alone stands in the way of a pass."""
        unknown = self.state == "not_measured" and self.decides
        return self.role != "told" and (self.state == "outside" or unknown)


class EarlierNumber(Frozen):
    """A quantity as the unit's own days before the test show it."""

    key: RunTestKey
    value: float


class RunTest(WithReasons):
    """What a test showed, whole or so far."""

    schema_: Literal["bushlarder/runtest/1"] = Field(
        default=RUN_TEST_SCHEMA, serialization_alias="schema", validation_alias="schema"
    )
    unit: str
    kind: RunTestKind
    start: Instant
    end: Instant
    """To where it was looked at."""
    verdict: RunTestVerdict
    because: tuple[RunTestKey, ...]
    """Lines that stand in the way of a pass; while it runs, those that are out of limits already."""
    lines: tuple[RunTestLine, ...]
    set_point_c: float
    limit_c: float
    """Of the food; of a hold-over, the one it was held to."""
    samples: int
    days_before: tuple[EarlierNumber, ...] = ()
    """Middle of six-hour stretches of its own days before the test."""
    stretches_before: int = 0
    words: RunTestWords
    assumed: tuple[str, ...] = ()

    def line(self, key: RunTestKey) -> RunTestLine | None:
        """Return one line, None where the test has none of that name."""
        return next((line for line in self.lines if line.key == key), None)

    @property
    def unmeasured(self) -> tuple[RunTestLine, ...]:
        """Lines that nothing measured."""
        return tuple(line for line in self.lines if line.state in {"not_measured", "said"})


class RunTestBegun(Frozen):
    """A named person begins a test of a unit."""

    person: Annotated[str, StringConstraints(min_length=1, max_length=80, strip_whitespace=True)]
    unit: Annotated[str, StringConstraints(pattern=r"^[a-z0-9-]{3,32}$")]
    kind: RunTestKind
    words: RunTestWords = RunTestWords()
    job: int | None = Field(default=None, ge=1, le=2**62)
    """Number of the workshop's job it belongs to."""


class RunTestAdded(Frozen):
    """Something a named person says of a test that runs: a reading of the air, the lid, a note, its end."""

    person: Annotated[str, StringConstraints(min_length=1, max_length=80, strip_whitespace=True)]
    kind: RunTestSaidKind
    value: float | None = Field(default=None, ge=-60, le=100, allow_inf_nan=False)
    """Of the air [°C]; of the lid 1 where it stayed shut, 0 where it was opened."""
    note: str = Field(default="", max_length=500)

    @model_validator(mode="after")
    def _says_something(self) -> "RunTestAdded":
        if self.kind == "ambient" and self.value is None:
            raise ValueError("a reading of the air needs its value")
        if self.kind == "lid" and self.value not in {0.0, 1.0}:
            raise ValueError("of the lid 1 means that it stayed shut, 0 that it was opened")
        if self.kind in {"note", "stopped"} and not self.note.strip():
            raise ValueError("a note, and why it was ended by hand, need words")
        return self


class RunTestSaid(Frozen):
    """Something a named person said of a test while it ran, or the end of it."""

    no: int
    t: Instant
    who: str
    kind: RunTestSaidKind
    value: float | None = None
    """Of an air reading [°C]; of the lid 1 when it stayed shut, 0 when it was opened."""
    note: str = ""
    signed: str | None = None


class RunTestRecord(Frozen):
    """A test as it is kept: how it began, what was said of it, and how it stands."""

    id: int
    unit: str
    kind: RunTestKind
    start: Instant
    who: str
    signed: str | None = None
    words: RunTestWords
    """As typed in when it began."""
    job: int | None = None
    """Number of the workshop's job it belongs to."""
    said: tuple[RunTestSaid, ...] = ()
    result: RunTest | None = None
    """What it showed; so far, while it runs; None before it was looked at."""
    concluded: Instant | None = None
    """When it was closed for good."""

    @property
    def stopped_ms(self) -> int | None:
        """When somebody ended it by hand."""
        return next((said.t for said in self.said if said.kind == "stopped"), None)

    @property
    def words_now(self) -> RunTestWords:
        """What people said of it, with everything said while it ran."""
        air = tuple(s.value for s in self.said if s.kind == "ambient" and s.value is not None)
        lid = next((s.value == 1.0 for s in reversed(self.said) if s.kind == "lid"), self.words.lid_shut)
        more = {"ambient_by_hand_c": (*self.words.ambient_by_hand_c, *air), "lid_shut": lid}
        return self.words.model_copy(update=more)
