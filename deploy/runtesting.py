"""A run test or hold-over test from any logger's file, offline: words, JSON, and the certificate as PDF."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from dashboards import testwords
from dashboards.figures.runtest import CHANNELS
from dashboards.figures.unit import points_for
from dashboards.reports import certificate
from deploy.analyse import instant
from services.analytics.service.holdtest import LONGEST_MS, holdover_test
from services.analytics.service.runtest import own_stretches, run_test
from services.analytics.service.runtest_lines import Asked
from services.analytics.service.runtest_results import LENGTH_MS
from services.api.schemas import ChannelBins, Samples
from services.domain import RunTest, RunTestKind, RunTestRecord, RunTestWords, UnitSettings
from services.errors import ConfigurationError
from services.store.bins import gathered, grid
from services.telemetry import FloatArray, Series
from services.telemetry.logfile import ParsedLog
from services.timebase import MINUTE_MS, SECOND_MS, iso_of


@dataclass(frozen=True, slots=True)
class Wanted:
    """What somebody asks of a log."""

    kind: RunTestKind
    start: str | None
    """ISO 8601 with offset; without it the last twelve hours, of a hold-over the first row."""
    end: str | None
    words: RunTestWords


def tested(log: ParsedLog, settings: UnitSettings, wanted: Wanted) -> RunTest:
    """Return the test of a log; what lies before it is the unit's own days.

    Raises
    ------
    ConfigurationError
        If the span asked for holds no row.
    """
    series = log.series
    first_ms, last_ms = int(series.t_ms[0]), int(series.t_ms[-1])
    end_ms = last_ms if wanted.end is None else instant(wanted.end, setting="--to")
    run = wanted.kind == "run"
    if wanted.start is not None:
        start_ms = instant(wanted.start, setting="--from")
    else:
        start_ms = max(first_ms, end_ms - LENGTH_MS) if run else first_ms
    if end_ms <= start_ms:
        raise ConfigurationError(f"{iso_of(end_ms)} is not after {iso_of(start_ms)}", setting="--to")
    end_ms = min(end_ms, start_ms + (LENGTH_MS if run else LONGEST_MS))
    part = series.between(start_ms, end_ms + 1)
    if not len(part):
        raise ConfigurationError(f"no row from {iso_of(start_ms)} to {iso_of(end_ms)}", setting="--from")
    asked = Asked(start_ms, end_ms, wanted.words)
    if not run:
        return holdover_test(part, settings, asked, offline=True)
    before = own_stretches(series, settings, before_ms=start_ms, offline=True)
    return run_test(part, settings, asked, before=before, offline=True)


def as_text(found: RunTest) -> str:
    """Return a test as a short plain-text report."""
    verdict = f"{testwords.SIGNS[found.verdict]} {testwords.VERDICTS[found.verdict].upper()}"
    lines = [
        f"{found.unit}, {testwords.KINDS[found.kind]}: {verdict}: {testwords.MEANINGS[found.verdict]}.",
        f"from {iso_of(found.start)} to {iso_of(found.end)}, {found.samples} readings",
        *(f"Stands in the way: {words}" for words in testwords.because_words(found)),
    ]
    for _role, title, views in testwords.groups(found):
        lines.append(title)
        lines += [
            f"  {view.name}: {view.value}"
            + ("" if view.limit == testwords.NO_LIMIT else f", {view.limit}")
            + f" -> {view.state}"
            + (f": {view.why}" if view.why else "")
            + f" [{view.source}]"
            for view in views
        ]
    rows = testwords.before_rows(found, None)
    if rows:
        lines.append(f"Own days before, middle of {found.stretches_before} stretches of six hours")
        lines += [f"  {row.name}: {row.days}, now {row.now}" for row in rows]
    lines += [f"Not measured: {words}" for words in testwords.unmeasured_words(found)]
    lines += ["Assumed: " + testwords.assumed_words(found.assumed)] if found.assumed else []
    return "\n".join([*lines, str(testwords.NO_CLEARANCE), *testwords.CAUTIONS])


def write_certificate(
    path: Path, found: RunTest, log: ParsedLog, settings: UnitSettings, *, printed_ms: int
) -> None:
    """Write the certificate of a test as PDF.

    Raises
    ------
    ConfigurationError
        If what lays out pages is missing, or the file cannot be written.
    """
    if not path.parent.is_dir():
        raise ConfigurationError("there is no such folder", setting=str(path))
    from markupsafe import Markup  # noqa: PLC0415 - like the rest of what a PDF needs

    from dashboards.pages.render import written  # noqa: PLC0415
    from dashboards.reports import pdf  # noqa: PLC0415

    record = RunTestRecord(
        id=0, unit=found.unit, kind=found.kind, start=found.start, who="", words=found.words,
        result=found, concluded=printed_ms,
    )  # fmt: skip
    view = certificate.view_of(
        record,
        found,
        settings,
        samples_of(log.series, found),
        last=None,
        last_number=None,
        printed_ms=printed_ms,
    )
    css = Markup(certificate.style())  # noqa: S704 - our own file
    content = pdf.laid_out(written("certificate.html", css=css, screen=False, **view))
    try:
        path.write_bytes(content)
    except OSError as error:
        raise ConfigurationError(f"cannot be written: {error.strerror}", setting=str(path)) from error


def samples_of(series: Series, found: RunTest) -> Samples:
    """Return the readings of a test thinned as a chart shows them."""
    end_ms = max(found.end, found.start + MINUTE_MS)
    steps = np.diff(series.between(found.start, end_ms).t_ms)
    interval_s = int(np.median(steps)) // SECOND_MS if steps.size else certificate.INTERVAL_S
    over = grid(
        found.start, end_ms, points_for(found.start, end_ms, max(1, interval_s), certificate.MOST_BINS)
    )
    channels = {}
    for column in CHANNELS:
        bins = gathered(series.t_ms, series.numbers(column), over).bins(over.t_ms)
        channels[column] = ChannelBins(
            t_ms=tuple(bins.t_ms.tolist()),
            min=_nullable(bins.lowest),
            max=_nullable(bins.highest),
            mean=_nullable(bins.mean),
            count=tuple(bins.count.tolist()),
        )
    return Samples(bin_s=over.width_ms / SECOND_MS, channels=channels)


def _nullable(values: FloatArray) -> tuple[float | None, ...]:
    return tuple(None if np.isnan(value) else float(value) for value in values)
