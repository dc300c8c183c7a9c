"""What became of a batch of food, worked out from everything that was said of it, in order of time."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from services.domain._batch import Batch, BatchEvent, BatchPlace
from services.domain._lifeparts import CoreReading, HoldClosed, Stay, TimeControl

DETAILS = frozenset(
    {
        "what",
        "food_class",
        "quantity",
        "quantity_unit",
        "piece_kg",
        "received_c",
        "use_by",
        "opened_on",
        "ready_to_eat",
        "vacuum_packed",
        "supplier",
        "lot",
        "note",
    }
)
"""What of a batch may be said again, better, later."""

_CARRIED = ("carried_above_min", "carried_unknown_min", "carried_hot")


@dataclass(frozen=True, slots=True)
class Life:
    """A batch with all its stays; never changed, only worked out anew."""

    batch: Batch
    stays: tuple[Stay, ...]
    cores: tuple[CoreReading, ...] = ()
    cooling_from_ms: int | None = None
    """Since when it is being cooled down after cooking, None when it is not."""
    thawing_from_ms: int | None = None
    time_control: TimeControl | None = None
    """Time in place of cold, where somebody said so when it was taken out."""
    closed: HoldClosed | None = None
    """The last sign-off."""
    event_no: int = 0
    """The newest event it was worked out from."""
    events: int = 0
    """How many there were: with `event_no` it tells whether anything was said since."""

    @property
    def out_from_ms(self) -> int | None:
        """Since when it has been out of any cabinet, None when it is not."""
        last = self.stays[-1] if self.stays else None
        return last.start_ms if last is not None and last.out and last.end_ms is None else None

    @property
    def frozen_spans(self) -> tuple[tuple[int, int | None], ...]:
        """Stretches in which it was kept as frozen food."""
        found: list[tuple[int, int | None]] = []
        for stay in self.stays:
            if stay.frozen and found and found[-1][1] == stay.start_ms:
                found[-1] = (found[-1][0], stay.end_ms)
            elif stay.frozen:
                found.append((stay.start_ms, stay.end_ms))
        return tuple(found)


@dataclass(frozen=True, slots=True)
class _So:
    """The story so far."""

    details: dict[str, Any]
    place: BatchPlace = "stored"
    unit: str | None = None
    frozen: bool = False
    since_ms: int = 0
    end: str | None = None
    stays: tuple[Stay, ...] = ()
    cores: tuple[CoreReading, ...] = ()
    cooling_from_ms: int | None = None
    thawing_from_ms: int | None = None
    time_control: TimeControl | None = None
    closed: HoldClosed | None = None
    origin: dict[str, Any] = field(default_factory=dict)

    def put(self, t_ms: int, *, unit: str | None, frozen: bool, out: bool = False) -> "_So":
        """Return the story with the food in another place, or kept otherwise, from a moment on."""
        if self.stays and (self.unit, self.frozen, self.place) == (unit, frozen, "out" if out else "stored"):
            return self
        stays = self._ended(t_ms)
        stay = Stay(None if out else unit, t_ms, None, frozen, out=out)
        return replace(
            self,
            stays=(*stays, stay),
            unit=unit,
            frozen=frozen,
            place="out" if out else "stored",
            since_ms=t_ms,
            end=None,
        )

    def gone(self, t_ms: int, end: str | None) -> "_So":
        """Return the story with the food gone."""
        return replace(
            self,
            stays=self._ended(t_ms),
            place="gone",
            since_ms=t_ms,
            end=end,
            cooling_from_ms=None,
            thawing_from_ms=None,
        )

    def probed(self, t_ms: int, core_c: object, surface_c: object = None) -> "_So":
        """Return the story with one more reading of the core, when there is one."""
        if not isinstance(core_c, int | float):
            return self
        surface = float(surface_c) if isinstance(surface_c, int | float) else None
        return replace(self, cores=(*self.cores, CoreReading(t_ms, float(core_c), surface)))

    def _ended(self, t_ms: int) -> tuple[Stay, ...]:
        if not self.stays or self.stays[-1].end_ms is not None:
            return self.stays
        last = replace(self.stays[-1], end_ms=t_ms)
        # a stay of no length is where nobody ever kept it
        return (*self.stays[:-1], last) if t_ms > last.start_ms else self.stays[:-1]


def lived(batch: int, events: Sequence[BatchEvent]) -> Life:
    """Return the life of a batch.

    Parameters
    ----------
    batch : int
        Its number.
    events : sequence of BatchEvent
        Everything said of it and, before it was split off, of the batch it comes from.

    Raises
    ------
    ValueError
        If nothing says when it was put in.
    """
    said = sorted(_corrected(events), key=lambda event: (event.t, event.id))
    if not said or said[0].kind != "loaded":
        raise ValueError(f"batch {batch} was never put in")
    story = _So(details={})
    for event in said:
        story = _TOLD[event.kind](story, event)
    for event in sorted(events, key=lambda event: event.id):
        if event.kind == "corrected" and "event" not in event.body:
            story = replace(story, details={**story.details, **_details(event.body)})
    origin = story.origin
    made = Batch.model_validate(
        {
            **story.details,
            **{name: origin[name] for name in _CARRIED if name in origin},
            "id": batch,
            "core_c": said[0].body.get("core_c"),
            "place": story.place,
            "unit": story.unit,
            "frozen": story.frozen,
            "loaded_at": said[0].t,
            "loaded_by": said[0].who,
            "since": story.since_ms,
            "split_from": origin.get("split_from"),
            "end": story.end,
        }
    )
    return Life(
        batch=made,
        stays=story.stays,
        cores=story.cores,
        cooling_from_ms=story.cooling_from_ms,
        thawing_from_ms=story.thawing_from_ms,
        time_control=story.time_control,
        closed=story.closed,
        event_no=max(event.id for event in events),
        events=len(events),
    )


def _corrected(events: Sequence[BatchEvent]) -> list[BatchEvent]:
    """Return the events as later ones say they should have been; the events themselves stay as they are."""
    found = {event.id: event for event in events}
    for event in sorted(events, key=lambda event: event.id):
        number = event.body.get("event")
        if event.kind != "corrected" or not isinstance(number, int) or number not in found:
            continue
        if event.body.get("withdrawn") is True:
            del found[number]
        elif "probe_c" in event.body:
            before = found[number]
            name = "core_c" if before.kind == "loaded" else "probe_c"
            body = {**before.body, name: event.body["probe_c"]}
            found[number] = before.model_copy(update={"body": body})
    return list(found.values())


def _details(body: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in body.items() if name in DETAILS}


def _loaded(story: _So, event: BatchEvent) -> _So:
    body = event.body
    story = replace(story, details=_details(body), origin=dict(body))
    story = story.put(event.t, unit=_unit(body), frozen=bool(body.get("frozen")))
    return story.probed(event.t, _core_at_load(body))


def _core_at_load(body: Mapping[str, Any]) -> object:
    """Return the core temperature at the start: nobody measured it since it was received."""
    return body.get("received_c") if body.get("core_c") is None else body.get("core_c")


def _split(story: _So, event: BatchEvent) -> _So:
    body = event.body
    if "into" in body:
        left, taken = story.details.get("quantity"), body.get("quantity")
        if isinstance(left, int | float) and isinstance(taken, int | float) and left > taken:
            return replace(story, details={**story.details, "quantity": left - taken})
        return story
    details = {**story.details, "quantity": body.get("quantity")}
    story = replace(story, details=details, origin={**story.origin, "split_from": body.get("from")})
    if story.place == "gone" or "unit" in body:
        return _moved(story, event)
    return story


def _moved(story: _So, event: BatchEvent) -> _So:
    frozen = bool(event.body.get("frozen", story.frozen))
    unit = _unit(event.body) if "unit" in event.body else story.unit
    moved = story.put(event.t, unit=unit, frozen=frozen)
    if frozen:
        moved = replace(moved, thawing_from_ms=None)
    elif story.frozen:
        moved = replace(moved, thawing_from_ms=event.t)
    return moved.probed(event.t, event.body.get("probe_c"))


def _taken_out(story: _So, event: BatchEvent) -> _So:
    out = story.put(event.t, unit=story.unit, frozen=story.frozen, out=True)
    way = event.body.get("time_control")
    if way is not None:
        said = (event.body.get(name) is True for name in ("written_procedure", "marked"))
        out = replace(out, time_control=TimeControl(event.t, way == "6h", *said))
    return out.probed(event.t, event.body.get("probe_c"))


def _opened(story: _So, event: BatchEvent) -> _So:
    return replace(story, details={**story.details, "opened_on": event.body.get("opened_on")})


def _cooling(story: _So, event: BatchEvent) -> _So:
    return replace(story, cooling_from_ms=event.t).probed(event.t, event.body.get("probe_c"))


def _probed(story: _So, event: BatchEvent) -> _So:
    probed = story.probed(event.t, event.body.get("probe_c"), event.body.get("surface_c"))
    ice = event.body.get("ice")
    if not isinstance(ice, bool) or not probed.cores:
        return probed
    *before, last = probed.cores
    return replace(probed, cores=(*before, replace(last, ice=ice)))


def _used(story: _So, event: BatchEvent) -> _So:
    return story.gone(event.t, event.kind)


def _emptied(story: _So, event: BatchEvent) -> _So:
    return story.gone(event.t, None)


def _closed(story: _So, event: BatchEvent) -> _So:
    body = event.body
    disposition = str(body["disposition"])
    story = replace(
        story,
        closed=HoldClosed(
            event=event.id,
            t_ms=event.t,
            who=event.who,
            probe_c=float(str(body["probe_c"])),
            disposition=disposition,
            reason=str(body["reason"]),
            standing=str(body["standing"]),
            computed=str(body["computed"]),
        ),
    ).probed(event.t, body["probe_c"])
    if disposition in _ENDS:
        return story.gone(event.t, _ENDS[disposition])
    if disposition in {"moved", "refrozen"}:
        return _moved(story, event)
    return story


def _nothing(story: _So, _event: BatchEvent) -> _So:
    return story


_ENDS = {"discarded": "discarded", "cooked_at_once": "cooked"}

_TOLD: dict[str, Callable[[_So, BatchEvent], _So]] = {
    "loaded": _loaded,
    "moved": _moved,
    "split": _split,
    "probed": _probed,
    "frozen": _moved,
    "thawed": _moved,
    "opened": _opened,
    "taken_out": _taken_out,
    "put_back": _moved,
    "cooling_started": _cooling,
    "served": _used,
    "cooked": _used,
    "discarded": _used,
    "hold_closed": _closed,
    "corrected": _nothing,
    "emptied": _emptied,
}


def _unit(body: Mapping[str, Any]) -> str | None:
    unit = body.get("unit")
    return unit if isinstance(unit, str) else None
