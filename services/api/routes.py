"""The routes under ``/api/v1``; each asks the desk and answers, nothing is computed here."""

from collections.abc import AsyncIterator
from typing import Annotated, Any

import orjson
from fastapi import APIRouter, Depends, Header, Path, Query, Request
from pydantic import AwareDatetime
from sse_starlette import EventSourceResponse, ServerSentEvent
from starlette.exceptions import HTTPException
from starlette.responses import Response

from services.api.access import asker_of
from services.api.desk import CHARTED, MAX_POINTS, Desk
from services.api.entry import Access
from services.api.healthdesk import UnitHealth
from services.api.kept import kept_of
from services.api.live import ALIVE_S, LiveChanges, event_data
from services.api.schemas import (
    BatchLoaded,
    Check,
    CommandAsked,
    Correction,
    Health,
    Listing,
    Noted,
    Release,
    Samples,
    SiteRow,
    StatementRow,
    StateSaid,
    WaitingUnit,
)
from services.api.spans import span_of
from services.domain import (
    BatchCard,
    BatchEvent,
    BatchPlace,
    BatchSaid,
    BatchVerdict,
    Battery,
    Cutout,
    Exposure,
    Finding,
    Runout,
    SensorFlag,
    UnitCard,
)
from services.domain.lasting import HORIZON_H, asked
from services.timebase import DAY_MS, HOUR_MS, ms_of, ms_of_iso

PREFIX = "/api/v1"
HEALTH_MS = 60 * DAY_MS
"""Days of a machine that are told where nobody asks for others."""

router = APIRouter(prefix=PREFIX)


def desk_of(request: Request) -> Desk:
    """Return the desk of this application."""
    desk: Desk = request.app.state.desk
    asker = asker_of(request)
    seen = desk if asker.sees_all else desk.seen_by(asker)
    word = kept_of(request, desk.now_ms())
    return seen if word is None else seen.for_word(word)


AtDesk = Annotated[Desk, Depends(desk_of)]
_ID = r"^[a-z0-9-]{3,32}$"
UnitPath = Annotated[str, Path(pattern=_ID, description="Id of the unit.")]


def _json(body: bytes) -> Response:
    return Response(body, media_type="application/json")


@router.get("/health", tags=["house"])
def health(desk: AtDesk) -> Health:
    """Tell whether ingest, monitor and the databases are alive."""
    return desk.health()


@router.get("/sites", tags=["fleet"])
def sites(desk: AtDesk) -> Listing[SiteRow]:
    """List every vehicle, trailer, camp and lodge, with the cabinets in it."""
    return Listing(items=tuple(desk.sites()))


@router.get("/units", tags=["fleet"], response_model=Listing[UnitCard])
def units(desk: AtDesk) -> Response:
    """List every assessed cabinet: newest readings, standing and computed verdict, run-out, flags."""
    return _json(b'{"items":[' + b",".join(desk.cards_json()) + b'],"next":null,"reason":null}')


@router.get("/units/{unit}", tags=["fleet"])
def unit(desk: AtDesk, unit: UnitPath) -> UnitCard:
    """Show one cabinet at a glance."""
    return desk.card(unit)


@router.get("/units/{unit}/statements", tags=["records"])
def statements(
    desk: AtDesk, unit: UnitPath, limit: Annotated[int, Query(ge=1, le=500)] = 50
) -> Listing[StatementRow]:
    """List what named persons said of a cabinet, newest first."""
    desk.unit(unit)
    return Listing(items=tuple(desk.statements(unit, limit)))


@router.get("/units/{unit}/samples", tags=["readings"])
def samples(  # noqa: PLR0917 - a query has as many parts as it has
    desk: AtDesk,
    unit: UnitPath,
    start: Annotated[
        AwareDatetime | None,
        Query(alias="from", description="Included; with an offset. Default: 24 h before `to`."),
    ] = None,
    end: Annotated[
        AwareDatetime | None, Query(alias="to", description="Excluded; with an offset. Default: now.")
    ] = None,
    channels: Annotated[
        str | None,
        Query(description="Columns, separated by commas. Default: every column that holds readings."),
    ] = None,
    max_points: Annotated[int, Query(ge=1, le=20_000, description="Bins.")] = MAX_POINTS,
) -> Samples:
    """Give lowest, highest and number of readings per bin of time; null where a bin holds none."""
    span = span_of(start, end, now_ms=desk.now_ms())
    wanted = [name.strip() for name in channels.split(",")] if channels is not None else None
    strange = sorted(set(wanted or ()) - CHARTED)
    if strange:
        raise HTTPException(
            422, f"No numbers are handed out for {', '.join(strange)}; known: {', '.join(sorted(CHARTED))}."
        )
    return desk.samples(
        unit, start_ms=span.start_ms, end_ms=span.end_ms, channels=wanted, max_points=max_points
    )


def _part(desk: Desk, unit: str, name: str) -> Response:
    analysis = desk.analysis(unit)
    reason = analysis.get(f"{name}_reason")
    items: list[Any] = analysis.get(name) or []
    return _json(orjson.dumps({"items": items, "next": None, "reason": reason}))


@router.get("/units/{unit}/exposure", tags=["results"], response_model=Listing[Exposure])
def exposure(desk: AtDesk, unit: UnitPath) -> Response:
    """List time above each limit, per rule and basis."""
    return _part(desk, unit, "exposure")


@router.get("/units/{unit}/cutouts", tags=["results"], response_model=Listing[Cutout])
def cutouts(desk: AtDesk, unit: UnitPath) -> Response:
    """List stops of a compressor that wanted to run, with their causes."""
    return _part(desk, unit, "cutouts")


@router.get("/units/{unit}/service", tags=["results"], response_model=Listing[Finding])
def service(desk: AtDesk, unit: UnitPath) -> Response:
    """List what the workshop should look at, with the evidence."""
    return _part(desk, unit, "service")


@router.get("/units/{unit}/health", tags=["results"])
def unit_health(
    desk: AtDesk,
    unit: UnitPath,
    start: Annotated[
        AwareDatetime | None,
        Query(alias="from", description="Included; with an offset. Default: 60 days before `to`."),
    ] = None,
    end: Annotated[
        AwareDatetime | None, Query(alias="to", description="Excluded; with an offset. Default: now.")
    ] = None,
) -> UnitHealth:
    """Tell how the machine did on each UTC day: one line a number, null where a day does not tell it."""
    desk.unit(unit)
    span = span_of(start, end, now_ms=desk.now_ms(), usual_ms=HEALTH_MS)
    return desk.unit_health(unit, start_ms=span.start_ms, end_ms=span.end_ms)


@router.get("/units/{unit}/sensors", tags=["results"], response_model=Listing[SensorFlag])
def sensors(desk: AtDesk, unit: UnitPath) -> Response:
    """List stretches in which a channel is not to be trusted."""
    return _part(desk, unit, "sensors")


@router.get("/units/{unit}/battery", tags=["results"])
def battery(desk: AtDesk, unit: UnitPath) -> Battery:
    """Tell what is known of the bank behind a cabinet; every null says why."""
    analysis = desk.analysis(unit)
    if analysis.get("battery") is not None:
        return Battery.model_validate(analysis["battery"])
    reason = analysis.get("battery_reason") or "not worked out"
    return Battery(
        state_of_charge=None,
        state_of_charge_reason=reason,
        source_resistance_ohm=None,
        source_resistance_ohm_reason=reason,
        days_since_full=None,
        days_since_full_reason=reason,
    )


@router.get("/units/{unit}/runout", tags=["results"])
def runout(
    desk: AtDesk,
    unit: UnitPath,
    until: Annotated[
        AwareDatetime | None,
        Query(description="Asks for the chance of lasting to this moment too; with an offset."),
    ] = None,
) -> Runout:
    """Tell when the cabinet will stop for want of charge, and when food is then at risk."""
    analysis = desk.analysis(unit)
    found = Runout.model_validate(analysis["runout"])
    if until is None:
        return found
    as_of_ms = ms_of_iso(analysis["as_of"])
    if not 0 < ms_of(until) - as_of_ms <= HORIZON_H * HOUR_MS:
        words = f"Moments within {HORIZON_H:g} h after {analysis['as_of']} can be asked about."
        raise HTTPException(422, words)
    return asked(found, ms_of(until), as_of_ms=as_of_ms)


@router.get("/waiting", tags=["fleet"])
def waiting(desk: AtDesk) -> Listing[WaitingUnit]:
    """List unknown units that send: kept and not confirmed until somebody adds them."""
    return Listing(items=tuple(desk.waiting()))


@router.post("/units/{unit}/state", tags=["records"], status_code=201)
def say_state(desk: AtDesk, unit: UnitPath, said: StateSaid) -> Noted:
    """Say what a cabinet is used for from now on; ``empty`` ends its clock."""
    return desk.say_state(unit, said.person, said.state)


@router.post("/releases", tags=["records"], status_code=201)
def close_hold(desk: AtDesk, release: Release) -> Noted:
    """Close a hold with a probe reading, what became of the food, and a reason."""
    return desk.close_hold(release)


@router.post("/checks", tags=["records"], status_code=201)
def check(desk: AtDesk, check: Check) -> Noted:
    """Write down a reading taken by hand, a note, a sensor in melting ice or a signature."""
    return desk.write_check(check)


@router.post("/corrections", tags=["records"], status_code=201)
def correct(desk: AtDesk, correction: Correction) -> Noted:
    """Write down that an earlier line was wrong; that line stays."""
    return desk.correct(correction)


_Site = Annotated[str | None, Query(pattern=_ID, description="Id of a site: batches in its cabinets.")]
_Unit = Annotated[str | None, Query(pattern=_ID, description="Id of a unit.")]
_Place = Annotated[
    BatchPlace | None, Query(description="Default: what is stored or out; gone batches only if asked for.")
]
BatchPath = Annotated[int, Path(ge=1, le=2**62, description="Number of the batch.")]


@router.post("/batches", tags=["batches"], status_code=201)
def load_batch(desk: AtDesk, loaded: BatchLoaded) -> BatchCard:
    """Say that food was put into a cabinet; its clocks follow it from here on."""
    happened_ms = None if loaded.happened is None else ms_of(loaded.happened)
    return desk.load_batch(loaded.new, loaded.person, happened_ms)


@router.get("/batches", tags=["batches"])
def batches(desk: AtDesk, site: _Site = None, unit: _Unit = None, place: _Place = None) -> Listing[BatchCard]:
    """List batches of food, those to use first leading."""
    return Listing(items=tuple(desk.batches(site, unit, place)))


@router.get("/batches/{batch}", tags=["batches"])
def batch(desk: AtDesk, batch: BatchPath) -> BatchCard:
    """Show one batch: what may be done with it, and why."""
    return desk.batch(batch)


@router.get("/batches/{batch}/events", tags=["batches"])
def batch_events(desk: AtDesk, batch: BatchPath) -> Listing[BatchEvent]:
    """List what named persons said of a batch, in the order they said it."""
    return Listing(items=tuple(desk.batch_events(batch)))


@router.get("/batches/{batch}/verdicts", tags=["batches"])
def batch_verdicts(
    desk: AtDesk, batch: BatchPath, limit: Annotated[int, Query(ge=1, le=500)] = 100
) -> Listing[BatchVerdict]:
    """List how the verdict on a batch changed, newest first: when it was which, and why."""
    return Listing(items=tuple(desk.batch_verdicts(batch, limit)))


@router.post("/batches/{batch}/events", tags=["batches"], status_code=201)
def say_of_batch(desk: AtDesk, batch: BatchPath, said: BatchSaid) -> BatchCard:
    """Say what happened to a batch; of a split, the answer is the part that was split off."""
    return desk.note_of_batch(batch, said)


@router.post("/commands", tags=["records"], status_code=202)
def command(desk: AtDesk, asked: CommandAsked) -> Noted:
    """Queue a command for a unit; ingest sends it when the unit is reachable."""
    return desk.ask(asked)


def _alive() -> ServerSentEvent:
    return ServerSentEvent(event_data(()), event="alive")


@router.get(
    "/live",
    tags=["fleet"],
    response_class=EventSourceResponse,
    responses={
        200: {
            "description": "Server-sent events without a name; the id is the change number, "
            'the data `{"units":[…],"batches":[…]}` holds the changed cards, and of each batch whose '
            "verdict changed the newest change. An event named alive only tells that the link holds.",
            "content": {"text/event-stream": {"schema": {"type": "string"}}},
        }
    },
)
async def live(
    request: Request,
    last_event_id: Annotated[str | None, Header(description="Where to go on from.")] = None,
    after: Annotated[int | None, Query(ge=0, description="The same, for a first request.")] = None,
) -> EventSourceResponse:
    """Send changes as they happen, from the state at this moment on."""
    changes: LiveChanges = request.app.state.live
    access: Access = request.app.state.access
    asker = asker_of(request)
    kept = {} if asker.sees_all else {"shown": desk_of(request).shown}
    from_no = int(last_event_id) if last_event_id is not None and last_event_id.isdigit() else after

    async def still() -> bool:
        return await access.asker(request) == asker

    async def stream() -> AsyncIterator[ServerSentEvent]:
        async for number, data in changes.events(from_no, still=still, **kept):
            yield ServerSentEvent(data, id=str(number))

    return EventSourceResponse(stream(), ping=ALIVE_S, ping_message_factory=_alive)


@router.get("/{path:path}", include_in_schema=False)
def nothing_here(path: str) -> Response:
    """Answer for addresses that do not exist, so that they never reach the pages."""
    raise HTTPException(404, f"There is no {PREFIX}/{path}.")
