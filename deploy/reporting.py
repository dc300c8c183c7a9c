"""Makes an inspector's log, of a logger's file or of what `deploy.logbook` gathers, and writes its files."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time, timedelta
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from zoneinfo import ZoneInfo

from dashboards.reports import pdf, sheet, table
from dashboards.reports.contents import (
    Applied,
    Contradiction,
    IcePoint,
    LimitRow,
    LogSheet,
    Readings,
    Regime,
    Resting,
    SaidLine,
    VerdictLine,
    Withdrawn,
)
from deploy import log_days
from deploy.analyse import gap_s, zone_of
from services.analytics.assess import HISTORY_MS, assess
from services.analytics.food.rules import limits_of
from services.analytics.sensor_checks import corrections
from services.domain import BatchCard, BatchEvent, RejectedCell, SensorCheck, SpotCheck, UnitSettings
from services.errors import ConfigurationError
from services.telemetry.logfile import ParsedLog
from services.timebase import DAY_MS, Span, datetime_of, ms_of, ms_of_iso, utc_day_start_ms

PROGRAM = "bushlarder"
LONGEST_MS = 400 * DAY_MS
DEFAULT_DAYS = 7
_NO_POSITION = ("lat_deg", "lon_deg")
"""Positions reveal rare animals and people; they stand in no report."""


@dataclass(frozen=True, slots=True)
class Said:
    """What people said, and what was shown to them."""

    lines: tuple[SaidLine, ...] = ()
    verdicts: tuple[VerdictLine, ...] = ()
    withdrawn: tuple[Withdrawn, ...] = ()
    contradictions: tuple[Contradiction, ...] = ()
    batches: tuple[BatchCard, ...] = ()
    events: tuple[BatchEvent, ...] = ()
    spots: Mapping[int, tuple[SpotCheck, ...]] = field(default_factory=dict)
    awaited: tuple[Span, ...] = ()
    checks: tuple[SensorCheck, ...] = ()
    """Checks in melting ice that people wrote down, up to the end of the period."""
    clock_from_ms: int | None = None
    heard_ms: int | None = None
    resting: tuple[Resting, ...] = ()
    firmware: str | None = None
    chain: tuple[int, str] | None = None
    """The newest link of the audit chain once all this was read."""


@dataclass(frozen=True, slots=True)
class Period:
    """The period people ask for, in their words."""

    start: str | None = None
    """A day at the cabinet's place, or ISO 8601 with an offset."""
    end: str | None = None
    """The same; a day is included to its end."""
    timezone: str | None = None
    """Zone of the days where it is not that of the place."""


def software() -> str:
    """Return the name and version of this program."""
    try:
        return f"Bushlarder {version(PROGRAM)}"
    except PackageNotFoundError:
        return "Bushlarder, version not known"


def moment_of(asked: str, zone: ZoneInfo, setting: str, *, last: bool) -> int:
    """Return an instant people ask for: a day at the cabinet's place, or ISO 8601 with an offset.

    A day that ends a period (`last`) lies in it to its end.
    """
    try:
        day = date.fromisoformat(asked.strip())
    except ValueError:
        try:
            return ms_of_iso(asked)
        except (ValueError, OverflowError) as error:
            raise ConfigurationError(
                f"{asked!r} is neither a day like 2026-03-01 nor a time with an offset", setting=setting
            ) from error
    try:
        return ms_of(datetime.combine(day + timedelta(days=1 if last else 0), time(), tzinfo=zone))
    except OverflowError as error:
        raise ConfigurationError(f"{asked!r} lies outside any calendar", setting=setting) from error


def span_asked(period: Period, zone: ZoneInfo, *, now_ms: int) -> Span:
    """Return the period asked for; by default the last seven days at the cabinet's place, today included."""
    end_ms = now_ms if period.end is None else min(moment_of(period.end, zone, "--to", last=True), now_ms)
    if period.start is None:
        first = datetime_of(end_ms - 1).astimezone(zone).date() - timedelta(days=DEFAULT_DAYS - 1)
        start_ms = ms_of(datetime.combine(first, time(), tzinfo=zone))
    else:
        start_ms = moment_of(period.start, zone, "--from", last=False)
    return _sensible(start_ms, end_ms)


def _sensible(start_ms: int, end_ms: int) -> Span:
    if start_ms < 0 or not 0 < end_ms - start_ms <= LONGEST_MS:
        raise ConfigurationError(
            "the period must begin before it ends, and before now, and last no more than 400 days",
            setting="--from",
        )
    return Span(start_ms, end_ms)


def _ice_points(settings: UnitSettings, said: Iterable[SensorCheck], span: Span) -> tuple[IcePoint, ...]:
    """Return every check up to the end of the period, oldest first."""
    filed = [
        IcePoint(ms_of(c.at), c.channel, c.reading_c, c.who, "unit file") for c in settings.unit.sensor.checks
    ]
    told = [IcePoint(ms_of(c.at), c.channel, c.reading_c, c.who, "said") for c in said]
    found = [check for check in (*filed, *told) if check.t_ms < span.end_ms]
    return tuple(sorted(found, key=lambda check: (check.t_ms, check.channel, check.origin)))


def _applied(settings: UnitSettings, said: Iterable[SensorCheck], span: Span) -> tuple[Applied, ...]:
    """Return what the checks made of the readings of the period."""
    checks = (*settings.unit.sensor.checks, *said)
    found = []
    for channel in dict.fromkeys(check.channel for check in checks):
        fixed = settings.unit.sensor.offset_c if channel == "cabinet" else 0.0
        for part in corrections(checks, fixed_offset_c=fixed, channel=channel):
            start = span.start_ms if part.from_ms is None else max(part.from_ms, span.start_ms)
            end = span.end_ms if part.to_ms is None else min(part.to_ms, span.end_ms)
            if start < end:
                found.append(Applied(channel, Span(start, end), part.offset_k, part.high_k, part.failed))
    return tuple(found)


def of_file(
    log: ParsedLog,
    settings: UnitSettings,
    period: Period,
    *,
    printed_ms: int,
    name: str,
    max_gap_min: float | None = None,
) -> LogSheet:
    """Return the log of a logger's file; by default of all its days."""
    zone = zone_of(period.timezone) or (ZoneInfo("UTC") if settings.site is None else settings.site.zone)
    series = log.series
    first_ms, last_ms = int(series.t_ms[0]), int(series.t_ms[-1])
    span = _sensible(
        first_ms if period.start is None else moment_of(period.start, zone, "--from", last=False),
        last_ms + 1 if period.end is None else moment_of(period.end, zone, "--to", last=True),
    )
    ground = log_days.Ground(
        series,
        (regime_of(settings, span),),
        max(span.end_ms, last_ms),
        offline=True,
        max_gap_s=gap_s(max_gap_min),
    )
    made = sheet_of(ground, span, zone, said=None, source=f"the file {name}, {log.rows} rows")
    return replace(
        made,
        printed_ms=printed_ms,
        rejected=tuple(RejectedCell(line=c.line, column=c.column, reason=c.reason) for c in log.cells),
    )


def regime_of(settings: UnitSettings, span: Span) -> Regime:
    """Return a description with the limits that follow from it."""
    rows = tuple(
        LimitRow(
            rule=limit.rule,
            limit_c=limit.limit_c,
            below=limit.below,
            hold_min=limit.hold_min,
            discard_min=limit.discard_min,
            source=limit.source,
        )
        for limit in limits_of(settings).limits
    )
    return Regime(span, settings, rows)


def _resting_of_file(settings: UnitSettings, span: Span) -> tuple[Resting, ...]:
    state = settings.unit.state
    return () if state == "in_use" else (Resting(span, state),)


def sheet_of(
    ground: log_days.Ground, span: Span, zone: ZoneInfo, *, said: Said | None, source: str
) -> LogSheet:
    """Return a whole log: every day judged, and what people said beside it; None where nobody was asked."""
    people = Said() if said is None else said
    ground = replace(ground, checks=people.checks)
    judged = log_days.judge(ground, span, zone)
    last = ground.regimes[-1].settings
    window_ms = utc_day_start_ms(span.end_ms) - HISTORY_MS
    end = assess(
        ground.series.between(window_ms, span.end_ms + 1),
        last,
        as_of_ms=span.end_ms,
        clock_from_ms=people.clock_from_ms,
        heard_from_ms=people.heard_ms,
        offline=ground.offline,
        max_gap_s=ground.max_gap_s,
        checks=ground.checks,
    )
    inside = ground.series.between(span.start_ms, span.end_ms)
    readings = Readings(inside.t_ms, {n: v for n, v in inside.columns.items() if n not in _NO_POSITION})
    cutouts = tuple(
        cut
        for _, cut in sorted(judged.cutouts.items())
        if cut.start < span.end_ms and (cut.end is None or cut.end > span.start_ms)
    )
    return LogSheet(
        span=span,
        zone=zone,
        printed_ms=ground.printed_ms,
        software=software(),
        source=source,
        firmware=people.firmware,
        regimes=ground.regimes,
        resting=_resting_of_file(last, span) if said is None else people.resting,
        days=tuple(judged.days),
        stretches=log_days.stretches_of(log_days.passings_of(judged.days, cabinet=False), readings, cutouts),
        air=tuple(log_days.passings_of(judged.days, cabinet=True)),
        readings=readings,
        verdict=end.verdict,
        verdict_why=end.verdict_why,
        verdict_at_ms=span.end_ms,
        said=people.lines,
        verdicts=people.verdicts,
        withdrawn=people.withdrawn,
        contradictions=people.contradictions,
        ice_points=_ice_points(last, people.checks, span),
        applied=_applied(last, people.checks, span),
        batches=people.batches,
        batch_events=people.events,
        batch_spots=people.spots,
        cutouts=cutouts,
        sensors=log_days.flags_of(judged.flags, span),
        findings=end.service or (),
        awaited=people.awaited,
        rejected=(),
        assumed=tuple(judged.assumed),
        with_records=said is not None,
        chain=people.chain,
    )


@dataclass(frozen=True, slots=True)
class Files:
    """Where the parts of a log are to be written; None leaves one out."""

    pdf: Path | None = None
    csv: Path | None = None
    html: Path | None = None

    def or_in(self, folder: Path | None, made: LogSheet) -> "Files":
        """Return these, or where none is named or a folder is, PDF and CSV named by unit and days."""
        if folder is None and (self.pdf or self.csv or self.html):
            return self
        named = (Path() if folder is None else folder) / sheet.file_stem(made)
        return Files(
            pdf=self.pdf or named.with_name(f"{named.name}.pdf"),
            csv=self.csv or named.with_name(f"{named.name}.csv"),
            html=self.html,
        )


def write(made: LogSheet, files: Files) -> list[str]:
    """Write a log's files and return what was written; the PDF last, because it needs most.

    Raises
    ------
    ConfigurationError
        If a file cannot be written, or a PDF is asked for and what lays it out is not installed.
    """
    done: list[str] = []
    makers: tuple[tuple[Path | None, Callable[[], bytes]], ...] = (
        (files.csv, lambda: table.csv_bytes(made)),
        (files.html, lambda: sheet.html(made).encode()),
        (files.pdf, lambda: pdf.pdf_bytes(made)),
    )
    for path, make in makers:
        if path is None:
            continue
        content = make()
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
        except OSError as error:
            raise ConfigurationError(f"cannot be written: {error.strerror}", setting=str(path)) from error
        done.append(f"{path}: {len(content):,} bytes".replace(",", " "))
    return done
