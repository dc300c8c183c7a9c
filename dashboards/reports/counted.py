"""What was counted, ready to print: the period, each day, each hour, the air."""

from collections.abc import Iterator
from itertools import groupby
from typing import Any

from dashboards import text
from dashboards.reports import words
from dashboards.reports.contents import Day, DayLine, Hour, LogSheet, Passing, Spread
from dashboards.rulenames import rule_names
from services.timebase import MINUTE_MS, Span

NOTHING = "\N{EN DASH}"

Plain = dict[str, Any]


def summary(made: LogSheet) -> list[str]:
    """Return what the period came to, the unknown never left out."""
    missing = sum(day.silent_minutes for day in made.days)
    found = []
    for key, group in _by_limit(made):
        lines = list(group)
        above = sum(line.exposure.minutes_above for line in lines)
        unknown = sum(line.exposure.minutes_unknown for line in lines)
        side = words.limit_words(key[2], below=key[3])
        basis = words.BASES[key[4]]
        found.append(
            f"{words.minutes(above)} {side} ({rule_names(key[1])}, {basis}), {words.minutes(unknown)} unknown"
            + (f", by description {key[0] + 1}" if len(made.regimes) > 1 else "")
        )
    found.append(
        f"{words.minutes(missing)} without readings of the cabinet"
        + (": nothing is known of the food in that time" if missing else "")
    )
    if made.awaited:
        waited = sum(span.minutes for span in made.awaited)
        found.append(f"{words.minutes(waited)} of readings are known to exist and have not arrived yet")
    found.append(
        f"Computed as of the end of the period: {words.VERDICTS[made.verdict]}. "
        f"{text.sentence(made.verdict_why)}"
    )
    return found


def _by_limit(made: LogSheet) -> Iterator[tuple[tuple[Any, ...], Iterator[DayLine]]]:
    def key(line: DayLine) -> tuple[Any, ...]:
        entry = line.exposure
        return line.regime, entry.rule or "", entry.limit_c, line.below, entry.basis

    judged = [
        line
        for day in made.days
        for line in day.lines
        if line.exposure.rule is not None and line.exposure.basis != "cabinet"
    ]
    return groupby(sorted(judged, key=key), key=key)


def limits(made: LogSheet) -> list[tuple[str, str, str, str, str]]:
    """Return every limit that was in force, with its document."""
    return [
        (
            span_words(regime.span, made),
            words.limit_words(row.limit_c, below=row.below),
            rule_names(row.rule),
            words.consequence(row),
            row.source,
        )
        for regime in made.regimes
        for row in regime.limits
    ]


def description(made: LogSheet, index: int) -> str:
    """Return how the cabinet was described over one stretch of the period."""
    regime = made.regimes[index]
    settings = regime.settings
    rules = ", ".join(map(rule_names, settings.rules))
    return (
        f"Description {index + 1}, {span_words(regime.span, made)}: "
        f"{', '.join(text.plain(c) for c in settings.classes)}; rules {rules}; "
        f"set point {words.exact(settings.set_point_c)} °C"
    )


def span_words(span: Span, made: LogSheet) -> str:
    """Return a span at the cabinet's place."""
    start, end = (words.local_time(t, made.zone) for t in (span.start_ms, span.end_ms))
    return f"{start} to {end}"


def _range(made: LogSheet, column: str, spread: Spread | None) -> tuple[str, str, str]:
    if spread is None:
        return NOTHING, NOTHING, NOTHING
    digits = made.digits[column]
    return (
        text.number(spread.lowest, digits),
        text.number(spread.mean, 2),
        text.number(spread.highest, digits),
    )


def day_view(made: LogSheet, day: Day) -> Plain:
    """Return one day with every limit it was counted by."""
    several = len(made.regimes) > 1
    lines = [
        (
            words.limit_words(e.limit_c, below=line.below) + (f" [{line.regime + 1}]" if several else ""),
            rule_names(e.rule),
            words.BASES[e.basis],
            words.minutes(e.minutes_above) + (_in_force(made, line) if several else ""),
            words.minutes(e.minutes_unknown),
            NOTHING if e.peak_c is None or e.basis == "cabinet" else text.number(e.peak_c, 2),
            words.COMPLIANT[e.compliant] if e.compliant is not None else NOTHING,
        )
        for line in day.lines
        if (e := line.exposure).rule is not None
    ]
    return {
        "name": _day_name(made, day),
        "readings": day.readings,
        "silent": day.silent_minutes > 0,
        "silence": [f"{_clock_span(made, g, day.span)}: {g.minutes:g} min unknown" for g in day.silent],
        "resting": [
            f"{text.STATES[rest.state]} {_clock_span(made, rest.span, day.span)}, as said: its minutes stand "
            "all the same"
            for rest in made.resting
            if rest.span.start_ms < day.span.end_ms and rest.span.end_ms > day.span.start_ms
        ],
        "cabinet": _range(made, "cabinet_c", day.cabinet_c),
        "lines": lines,
    }


def _clock_span(made: LogSheet, span: Span, day: Span) -> str:
    """Return the part of a span within a day by the clock; a day ends at 24:00."""
    start, end = max(span.start_ms, day.start_ms), min(span.end_ms, day.end_ms)
    until = f"{text.local(end, made.zone):%H:%M:%S}"
    midnight = end == day.end_ms and until == "00:00:00"
    return f"{text.local(start, made.zone):%H:%M:%S} to {'24:00:00' if midnight else until}"


def _in_force(made: LogSheet, line: DayLine) -> str:
    """Return the part of a day's minutes that fell into the time its description held."""
    held = made.regimes[line.regime].span
    shared = sum(
        max(0, min(e.end, held.end_ms) - max(e.start, held.start_ms)) for e in line.exposure.episodes
    )
    return f" ({words.minutes(shared / MINUTE_MS)} while it held)"


def _day_name(made: LogSheet, day: Day) -> str:
    return f"{text.local(day.span.start_ms, made.zone):%Y-%m-%d %a}"


def marks(made: LogSheet) -> list[tuple[str, str, str, str]]:
    """Return the minutes above marks that carry no verdict."""
    return [
        (
            _day_name(made, day),
            words.limit_words(line.exposure.limit_c, below=line.below),
            words.minutes(line.exposure.minutes_above),
            words.minutes(line.exposure.minutes_unknown),
        )
        for day in made.days
        for line in day.lines
        if line.exposure.rule is None
    ]


def air(made: LogSheet) -> list[tuple[str, str, str, str]]:
    """Return how often and how long the cabinet's air was beyond each limit."""

    def key(passing: Passing) -> tuple[Any, ...]:
        return passing.regime, passing.rule, passing.limit_c, passing.below

    several = len(made.regimes) > 1
    found = []
    for (regime, rule, limit_c, below), group in groupby(sorted(made.air, key=key), key=key):
        spans = [p.span.minutes for p in group]
        name = f"{words.limit_words(limit_c, below=below)} ({rule})" + (f" [{regime + 1}]" if several else "")
        found.append((name, str(len(spans)), words.minutes(sum(spans)), words.minutes(max(spans))))
    return found


def hourly(made: LogSheet, day: Day) -> Plain:
    """Return one day hour by hour, as lines of even columns (a table as long takes minutes to lay out)."""
    product = any(d.product_c is not None for d in made.days)
    head = ["Hour", "readings", "cabinet low", "mean", "high °C"]
    head += ["product low", "mean", "high °C"] if product else []
    rows = [[*head, "battery V", "compressor", "supply"]]
    rows += [_hour(made, hour, product=product) for hour in day.hours]
    widths = [max(len(row[k]) for row in rows) for k in range(len(rows[0]))]
    last = len(widths) - 1
    lines = (
        "  ".join(
            cell.ljust(width) if k in {0, last} else cell.rjust(width)
            for k, (cell, width) in enumerate(zip(row, widths, strict=True))
        )
        for row in rows
    )
    return {
        "name": _day_name(made, day),
        "utc": text.offset_name(day.span.start_ms, made.zone),
        "lines": "\n".join(line.rstrip() for line in lines),
    }


def _hour(made: LogSheet, hour: Hour, *, product: bool) -> list[str]:
    volts = hour.battery_v
    return [
        f"{text.local(hour.start_ms, made.zone):%H:%M}",
        str(hour.readings),
        *_range(made, "cabinet_c", hour.cabinet_c),
        *(_range(made, "product_c", hour.product_c) if product else ()),
        NOTHING if volts is None else f"{text.number(volts.lowest, 2)} to {text.number(volts.highest, 2)}",
        NOTHING if hour.running_share is None else f"{100 * hour.running_share:.0f} %",
        ", ".join(text.plain(s) for s in hour.supply) or NOTHING,
    ]
