"""Answer the food and power questions for any logger's file, offline."""

import math
from collections.abc import Mapping
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from services.analytics.assess import assess
from services.analytics.food.house import house_faults
from services.domain import Analysis, Exposure, RejectedCell, Runout, UnitSettings
from services.domain.fleetfile import parse_unit_file
from services.errors import ConfigurationError
from services.telemetry import Series
from services.telemetry.logfile import ParsedLog, parse_log
from services.telemetry.senml import HIGHEST_TIME_S
from services.timebase import SECOND_MS, iso_of, ms_of_iso


def read_text(path: Path) -> str:
    """Return a file's text, or say which file could not be read and why."""
    try:
        return path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise ConfigurationError(f"cannot be read: {error.strerror}", setting=str(path)) from error
    except UnicodeDecodeError as error:
        raise ConfigurationError(f"is not UTF-8 text (byte {error.start})", setting=str(path)) from error


def zone_of(name: str | None) -> ZoneInfo | None:
    """Return a named time zone."""
    if name is None:
        return None
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise ConfigurationError(f"{name!r} is not an IANA time zone", setting="--timezone") from error


def read_log(
    path: Path, *, columns: Mapping[str, str], time_column: str | None, timezone: str | None
) -> ParsedLog:
    """Parse a logger's file; errors name the file."""
    text = read_text(path)
    try:
        return parse_log(text, columns=columns, time_column=time_column, zone=zone_of(timezone))
    except ConfigurationError as error:
        raise ConfigurationError(f"{path.name}: {error}") from error


def read_unit(path: Path) -> UnitSettings:
    """Parse a single-unit file; errors name the file, key and line."""
    return parse_unit_file(read_text(path), name=path.name, house_faults=house_faults)


def gap_s(max_gap_min: float | None) -> float | None:
    """Return the longest pair of readings joined by a line [s], None when nobody chose one."""
    if max_gap_min is None:
        return None
    if not (math.isfinite(max_gap_min) and max_gap_min > 0):
        raise ConfigurationError(f"{max_gap_min:g} is no length of time", setting="--max-gap-min")
    return max_gap_min * 60.0


def analyse(log: ParsedLog, settings: UnitSettings, *, at: str | None, max_gap_min: float | None) -> Analysis:
    """Return the analysis of a parsed log as of `at` (default its last row)."""
    series: Series = log.series
    max_gap_s = gap_s(max_gap_min)
    as_of = int(series.t_ms[-1]) if at is None else instant(at)
    usable = series.between(int(series.t_ms[0]), as_of + 1)
    if not len(usable):
        raise ConfigurationError(f"no row at or before {iso_of(as_of)}", setting="--at")
    return assess(
        usable,
        settings,
        as_of_ms=as_of,
        after_at=len(series) - len(usable),
        rejected=tuple(RejectedCell(line=c.line, column=c.column, reason=c.reason) for c in log.cells),
        offline=True,
        max_gap_s=max_gap_s,
    )


def instant(at: str, *, setting: str = "--at") -> int:
    """Return a time given on the command line; none outside what a log can hold."""
    try:
        t_ms = ms_of_iso(at)
    except (ValueError, OverflowError) as error:
        raise ConfigurationError(str(error), setting=setting) from error
    if not 0 <= t_ms < HIGHEST_TIME_S * SECOND_MS:
        raise ConfigurationError(f"{at!r} lies outside any time a log can hold", setting=setting)
    return t_ms


def _exposure_line(entry: Exposure) -> str:
    rule = entry.rule or "information"
    peak = "peak not known" if entry.peak_c is None else f"peak {entry.peak_c:.1f} °C"
    verdict = "" if entry.verdict is None else f" -> {entry.verdict.value.replace('_', ' ')}"
    return (
        f"  {rule}, {entry.basis.replace('_', ' ')}, limit {round(entry.limit_c, 2):g} °C: "
        f"{entry.minutes_above:.0f} min above, {entry.minutes_unknown:.0f} min unknown, {peak}{verdict}"
    )


def _runout_line(runout: Runout) -> str:
    words = runout.reason.replace("_", " ")
    if runout.hours_p10 is None or runout.hours_p50 is None:
        return f"  {words}: {runout.hours_p10_reason or 'no figure'}"
    late = "beyond a week" if runout.hours_p90 is None else f"{runout.hours_p90:.1f} h"
    if runout.if_charging_stops_at is not None:
        words = f"{words}, once charging stops at {iso_of(runout.if_charging_stops_at)}"
    return f"  {words}: plan on {runout.hours_p10:.1f} h, likely {runout.hours_p50:.1f} h, at best {late}"


def as_text(analysis: Analysis) -> str:
    """Return an analysis as a short plain-text report."""
    lines = [
        f"{analysis.unit}: {analysis.verdict.value.replace('_', ' ').upper()}, {analysis.verdict_why}",
        f"from {iso_of(analysis.start)} to {iso_of(analysis.to)}, as of {iso_of(analysis.as_of)}, "
        f"{analysis.samples} samples"
        + (f", {analysis.after_at} later ones left out" if analysis.after_at else ""),
        "Time above limits",
        *(_exposure_line(entry) for entry in analysis.exposure),
        *(["After it warmed or stood without power"] if analysis.answers else []),
        *(f"  {a.question.replace('_', ' ')}: {a.answer}. {a.why} [{a.source}]" for a in analysis.answers),
        "Cut-outs",
    ]
    if analysis.cutouts is None:
        lines.append(f"  not known: {analysis.cutouts_reason}")
    elif not analysis.cutouts:
        lines.append("  none found")
    else:
        lines += [
            f"  {iso_of(cut.start)}: {cut.cause.replace('_', ' ')} ({cut.certainty}), "
            f"{cut.minutes_without_cooling:.0f} min without cooling. {cut.why}"
            for cut in analysis.cutouts
        ]
    lines += ["Battery run-out", _runout_line(analysis.runout), "Workshop"]
    if analysis.service is None:
        lines.append(f"  not known: {analysis.service_reason}")
    else:
        lines += [f"  {f.finding} (since {iso_of(f.since)}). Check: {f.check}" for f in analysis.service] or [
            "  nothing found"
        ]
    lines += [f"Sensor {flag.channel}: {flag.flag} from {iso_of(flag.start)}" for flag in analysis.sensors]
    lines += [f"Line {c.line}, {c.column}: {c.reason}" for c in analysis.rejected]
    lines += ["Assumed: " + "; ".join(analysis.assumed)] if analysis.assumed else []
    lines.append(
        "Local food law and your environmental-health officer come first; taste and smell prove nothing. "
        "Electrical and refrigeration work is for licensed technicians."
    )
    return "\n".join(lines)
