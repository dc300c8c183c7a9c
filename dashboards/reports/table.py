"""A log as one CSV table in order of time: every reading unedited, and everything else beside it.

The times and channels are named as in any logger's file, so that the table can be analysed again.
"""

import csv
import io
import math
from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from dashboards import text
from dashboards.reports import words
from dashboards.reports.contents import LogSheet
from dashboards.rolewords import signer_words
from services.timebase import datetime_of, iso_of

_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "\N{MINUS SIGN}", *"\uff1d\uff0b\uff0d\uff20")
"""A spreadsheet takes a cell that begins so for a formula; the last four are their wide forms."""
_FRONT = ("kind", "time", "time_local", "until", "until_local")
_BACK = ("who", "what", "limit_c", "basis", "minutes", "peak_c", "source")

Row = dict[str, str]


def harmless(cell: str) -> str:
    """Return a text that no spreadsheet takes for a formula: an apostrophe goes in front."""
    return f"'{cell}" if cell.lstrip().startswith(_FORMULA) or cell.startswith(_FORMULA) else cell


def csv_bytes(made: LogSheet) -> bytes:
    """Return a log as CSV: UTF-8 with a mark at its start, lines as RFC 4180 has them."""
    channels = [name for name in made.readings.columns if _is_measured(made, name)]
    into = io.StringIO()
    writer = csv.DictWriter(into, (*_FRONT, *channels, *_BACK), restval="", lineterminator="\r\n")
    writer.writeheader()
    rows = [*_others(made), *_readings(made, channels)]
    # the sort is stable: rows of one time stay in the order they were made in
    for _, row in sorted(rows, key=lambda timed: timed[0]):
        writer.writerow(row)
    return b"\xef\xbb\xbf" + into.getvalue().encode()


def _is_measured(made: LogSheet, name: str) -> bool:
    return any(_cell(value) != "" for value in made.readings.columns[name])


def _cell(value: object) -> str:
    """Return a measured value with nothing rounded; empty where nothing was measured."""
    if value is None:
        return ""
    if isinstance(value, str):
        return harmless(value)
    number = float(value)  # type: ignore[arg-type] # a float64 or a bool
    return "" if math.isnan(number) else f"{number + 0.0:.3f}".rstrip("0").rstrip(".")


def _readings(made: LogSheet, channels: list[str]) -> Iterator[tuple[int, Row]]:
    columns = [(name, made.readings.columns[name]) for name in channels]
    for index, t_ms in enumerate(made.readings.t_ms.tolist()):
        row = _timed("reading", t_ms, made.zone)
        row |= {name: _cell(values[index]) for name, values in columns}
        yield t_ms, row


def _others(made: LogSheet) -> Iterator[tuple[int, Row]]:
    yield from _about(made)
    yield from _beyond(made)
    yield from _silent(made)
    yield from _said(made)
    yield from _corrected(made)
    yield from _batches(made)


def _about(made: LogSheet) -> Iterator[tuple[int, Row]]:
    start = made.span.start_ms
    unit = made.settings.unit.id
    facts = f"{unit}; {made.settings.name}; {made.source}; {made.software}; cautions: " + " ".join(
        list(text.CAUTIONS)[:2]
    )
    yield start, _row("document", made, start, until=made.span.end_ms, what=facts)
    if made.chain is not None:
        yield (
            start,
            _row("chain", made, start, until=made.span.end_ms, what=f"the newest link: {made.chain[1]}"),
        )
    for regime in made.regimes:
        for limit in regime.limits:
            yield (
                regime.span.start_ms,
                _row(
                    "limit",
                    made,
                    regime.span.start_ms,
                    until=regime.span.end_ms,
                    what=f"{limit.rule}; {words.consequence(limit)}; counts time "
                    f"{'below' if limit.below else 'above'} it",
                    limit_c=limit.limit_c,
                    source=limit.source,
                ),
            )


def _beyond(made: LogSheet) -> Iterator[tuple[int, Row]]:
    passings = [("beyond limit", p) for stretch in made.stretches for p in stretch.passings]
    passings += [("cabinet air beyond limit", p) for p in made.air]
    for kind, passing in passings:
        yield (
            passing.span.start_ms,
            _row(
                kind,
                made,
                passing.span.start_ms,
                until=passing.span.end_ms,
                what=f"{'below' if passing.below else 'above'}; {passing.rule}",
                limit_c=passing.limit_c,
                basis=passing.basis,
                minutes=passing.span.minutes,
                peak_c=passing.peak_c,
                source=passing.source,
            ),
        )


def _silent(made: LogSheet) -> Iterator[tuple[int, Row]]:
    for day in made.days:
        for gap in day.silent:
            yield (
                gap.start_ms,
                _row(
                    "no reading",
                    made,
                    gap.start_ms,
                    until=gap.end_ms,
                    what=f"{gap.minutes:g} min unknown",
                    minutes=gap.minutes,
                ),
            )
    for flag in made.sensors:
        yield (
            flag.start,
            _row(
                "sensor not to be trusted",
                made,
                flag.start,
                until=flag.end,
                what=f"{flag.channel}: {text.plain(flag.flag)}",
            ),
        )
    for cut in made.cutouts:
        yield (
            cut.start,
            _row(
                "cut-out",
                made,
                cut.start,
                until=cut.end,
                what=f"{text.CAUSES[cut.cause]} ({cut.certainty}). {cut.why}",
                minutes=cut.minutes_without_cooling,
            ),
        )


def _said(made: LogSheet) -> Iterator[tuple[int, Row]]:
    for line in made.said:
        what = f"{words.kind_words(line.kind)}: {words.said_words(line)}"
        yield line.t_ms, _row("said", made, line.t_ms, who=signer_words(line.who, line.signed), what=what)
    for change in made.verdicts:
        what = (
            f"computed {change.computed.value}, standing {change.standing.value}, shown "
            f"{iso_of(change.shown_ms)}, {words.ORIGINS[change.origin]}: {change.why}"
        )
        yield change.t_ms, _row("verdict", made, change.t_ms, what=what)
    for check in made.ice_points:
        if check.t_ms >= made.span.start_ms and check.origin == "unit file":
            what = f"{check.channel} sensor read {check.reading_c:g} °C in melting ice ({check.origin})"
            yield check.t_ms, _row("sensor check", made, check.t_ms, who=check.who, what=what)


def _corrected(made: LogSheet) -> Iterator[tuple[int, Row]]:
    for twice in made.contradictions:
        later = words.values_words(twice.later)
        what = (
            f"sample {twice.sq} of boot {twice.bid} came again {iso_of(twice.received_ms)} with other "
            f"values; the first stays, the later said: {later}"
        )
        yield twice.t_ms, _row("contradiction", made, twice.t_ms, what=what)
    for gone in made.withdrawn:
        what = f"{gone.rule}: reported once, withdrawn {iso_of(gone.withdrawn_ms)} after late readings"
        yield (
            gone.span.start_ms,
            _row(
                "withdrawn",
                made,
                gone.span.start_ms,
                until=gone.span.end_ms,
                what=what,
                limit_c=gone.limit_c,
                basis=gone.basis,
                minutes=gone.span.minutes,
                peak_c=gone.peak_c,
            ),
        )


def _batches(made: LogSheet) -> Iterator[tuple[int, Row]]:
    names = {card.batch.id: card.batch.what for card in made.batches}
    for event in made.batch_events:
        what = (
            f"batch {event.batch} ({names.get(event.batch, '')}), {text.plain(event.kind)}, written down "
            f"{iso_of(event.said)}: {words.event_words(event, made.batch_spots.get(event.id, ()))}"
        )
        t_ms = max(event.t, made.span.start_ms)
        row = _row("batch", made, event.t, who=signer_words(event.who, event.signed), what=what)
        yield t_ms, row
    for card in made.batches:
        for question, said, why, source in map(words.answer_words, card.answers):
            what = f"batch {card.batch.id} ({card.batch.what}): {question} {said}. {why}"
            yield card.as_of, _row("answer of a text", made, card.as_of, what=what, source=source)


def _timed(kind: str, t_ms: int, zone: ZoneInfo) -> Row:
    return {"kind": kind, "time": iso_of(t_ms), "time_local": _local(t_ms, zone)}


def _local(t_ms: int, zone: ZoneInfo) -> str:
    moment: datetime = datetime_of(t_ms).astimezone(zone)
    return moment.isoformat(timespec="milliseconds" if moment.microsecond else "seconds")


def _row(
    kind: str,
    made: LogSheet,
    t_ms: int,
    *,
    until: int | None = None,
    **cells: str | float,
) -> Row:
    row = _timed(kind, t_ms, made.zone)
    if until is not None:
        row |= {"until": iso_of(until), "until_local": _local(until, made.zone)}
    return row | _texts(cells)


def _texts(cells: Mapping[str, Any]) -> Row:
    return {
        name: harmless(value) if isinstance(value, str) else f"{value:.6f}".rstrip("0").rstrip(".")
        for name, value in cells.items()
    }
