"""What people and sensors said, ready to print; nothing that was known before is left out."""

import math
from typing import Any

from dashboards import text
from dashboards.reports import words
from dashboards.reports.contents import LogSheet, Withdrawn
from dashboards.reports.passed import until
from dashboards.rolewords import signer_words
from dashboards.rulenames import rule_names
from services.domain import BatchCard, BatchClock

NOTHING = "\N{EN DASH}"

Plain = dict[str, Any]


def verdicts(made: LogSheet) -> list[tuple[str, ...]]:
    """Return every change of the verdict, with when it was shown."""
    return [
        (
            words.both_times(v.t_ms, made.zone),
            words.both_times(v.shown_ms, made.zone),
            words.VERDICTS[v.computed],
            words.VERDICTS[v.standing],
            f"{text.sentence(v.why)} {text.sentence(words.ORIGINS[v.origin])}",
        )
        for v in made.verdicts
    ]


def batch_view(made: LogSheet, card: BatchCard) -> Plain:
    """Return one batch and everything said of it."""
    batch = card.batch
    quantity = "" if batch.quantity is None else f", {batch.quantity:g} {batch.quantity_unit}"
    details = [
        text.plain(batch.food_class),
        *([f"supplier {batch.supplier}"] if batch.supplier else []),
        *([f"lot {batch.lot}"] if batch.lot else []),
        *([f"received at {words.exact(batch.received_c)} °C"] if batch.received_c is not None else []),
        *([f"use by {batch.use_by}"] if batch.use_by is not None else []),
        *([f"opened or made {batch.opened_on}"] if batch.opened_on is not None else []),
    ]
    became = batch.end or batch.place
    return {
        "name": f"Batch {batch.id}: {batch.what}{quantity}",
        "details": ", ".join(details),
        "state": f"{text.plain(became)}; {words.VERDICTS[card.standing]}. {text.sentence(card.standing_why)}",
        "minutes": _batch_minutes(card),
        "clocks": [_clock(clock) for clock in card.clocks],
        "marks": words.marks_words(card),
        "answers": [words.answer_words(answer) for answer in card.answers],
        "answered": words.both_times(card.as_of, made.zone),
        "events": [
            (
                words.both_times(e.t, made.zone),
                words.both_times(e.said, made.zone),
                signer_words(e.who, e.signed),
                words.kind_words(e.kind),
                words.event_words(e, made.batch_spots.get(e.id, ())),
            )
            for e in made.batch_events
            if e.batch == batch.id
        ],
    }


def _batch_minutes(card: BatchCard) -> str:
    if not card.clocks:
        return "Its time beyond a limit has not been worked out"
    return (
        f"{words.minutes(card.minutes_above)} beyond the limit that decides over its whole life, "
        f"{words.minutes(card.minutes_unknown)} unknown"
    )


def _clock(clock: BatchClock) -> tuple[str, ...]:
    return (
        f"{words.exact(clock.limit_c)} °C ({rule_names(clock.rule)})",
        words.minutes(clock.minutes_above),
        words.minutes(clock.minutes_unknown),
        NOTHING if clock.peak_c is None else text.number(clock.peak_c, 2),
        NOTHING if clock.compliant is None else words.COMPLIANT[clock.compliant],
        clock.source,
    )


def sensors(made: LogSheet) -> Plain:
    """Return the sensors, their checks, and where they were not to be trusted."""
    sensor = made.settings.unit.sensor
    error = "not given" if sensor.error_k is None else f"±{sensor.error_k:g} K"
    last = {check.channel: check for check in made.ice_points}
    channels = ["cabinet", *(["product"] if made.readings.columns.get("product_c") is not None else [])]
    rows = []
    for channel in dict.fromkeys((*channels, *last)):
        position = sensor.position if channel == "cabinet" else "in the product"
        check = last.get(channel)
        checked = (
            "no check recorded"
            if check is None
            else f"{words.both_times(check.t_ms, made.zone)}, read {words.exact(check.reading_c)} °C"
            + (f", {check.who}" if check.who else "")
        )
        offset = f"{words.exact(sensor.offset_c)} K" if channel == "cabinet" else NOTHING
        rows.append((f"{channel} sensor of {made.settings.unit.id}", position, error, checked, offset))
    return {
        "rows": rows,
        "checks": [
            (
                words.both_times(c.t_ms, made.zone),
                c.channel,
                words.exact(c.reading_c),
                c.who or NOTHING,
                c.origin,
            )
            for c in made.ice_points
        ],
        "applied": [
            (
                a.channel,
                words.both_times(a.span.start_ms, made.zone),
                words.both_times(a.span.end_ms, made.zone),
                f"{words.exact(a.offset_k)} K added" if a.offset_k > 0 else "nothing added",
                f"reads {words.exact(a.high_k)} K high: not taken off" if a.high_k > 0 else NOTHING,
                "suspect: a check failed" if a.failed else "checks passed",
            )
            for a in made.applied
        ],
        "flags": [
            (f.channel, text.plain(f.flag), words.both_times(f.start, made.zone), until(f.end, made))
            for f in made.sensors
        ],
    }


def corrections(made: LogSheet) -> list[tuple[str, str]]:
    """Return what was known otherwise before, with both values: nothing is overwritten."""
    found = [
        (
            words.both_times(c.t_ms, made.zone),
            f"Reading {c.sq} of boot {c.bid} came again at {words.both_times(c.received_ms, made.zone)} with "
            f"other values. The first one stays: {_kept(made, c.t_ms)}. The later one said: "
            + words.values_words(c.later),
        )
        for c in made.contradictions
    ]
    found += [
        (
            words.both_times(w.span.start_ms, made.zone),
            _withdrawn(made, w),
        )
        for w in made.withdrawn
    ]
    return found


def _kept(made: LogSheet, t_ms: int) -> str:
    at = [i for i, t in enumerate(made.readings.t_ms.tolist()) if t == t_ms]
    shown = [
        f"{name} {words.exact(float(made.readings.numbers(name)[i]))}"
        for i in at
        for name in sorted(made.readings.columns)
        if name in text.UNITS and math.isfinite(made.readings.numbers(name)[i])
    ]
    return ", ".join(shown) or "kept under another time"


def _withdrawn(made: LogSheet, gone: Withdrawn) -> str:
    limit = (
        f"{words.exact(gone.limit_c)} °C ({rule_names(gone.rule)}, {words.BASES.get(gone.basis, gone.basis)})"
    )
    return (
        f"An episode beyond {limit} to {words.both_times(gone.span.end_ms, made.zone)}, at most "
        f"{text.number(gone.peak_c, 2)} °C, was reported and withdrawn at "
        f"{words.both_times(gone.withdrawn_ms, made.zone)}, when later readings showed it otherwise."
    )
