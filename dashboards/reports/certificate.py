"""The certificate of a test: verdict with its conditions, every line with its limit, chart, comparison."""

import functools
from typing import Any
from zoneinfo import ZoneInfo

from dashboards import testwords, text
from dashboards.figures.runtest import paper
from dashboards.language import _
from dashboards.reports import jobsheet
from services.api.schemas import Samples
from services.domain import RunTest, RunTestRecord, UnitSettings

MOST_BINS = 360
"""Of the chart on paper."""
INTERVAL_S = 60
"""Of a unit whose file gives none."""


@functools.cache
def style() -> str:
    """Return the style that goes into every certificate: that of a job sheet, and what is its own."""
    own = (jobsheet.TEMPLATES / "certificate.css").read_text(encoding="utf-8")
    lines = (line.strip() for line in own.splitlines())
    return "\n".join([jobsheet.style(), *(line for line in lines if line and not line.startswith("/*"))])


def chart_words(result: RunTest | None) -> str:
    """Return the chart of a test in a sentence, for those who cannot see it."""
    low = None if result is None else result.line("min_c")
    high = None if result is None else result.line("max_c")
    if low is None or high is None or low.value is None or high.value is None:
        return _("Cabinet, air around it and running of the compressor over the test.")
    return _(
        "Over its last six hours the cabinet stood between %(low)s and %(high)s.",
        low=text.degrees(low.value),
        high=text.degrees(high.value),
    )


def view_of(
    test: RunTestRecord,
    result: RunTest,
    settings: UnitSettings,
    samples: Samples,
    *,
    last: RunTest | None,
    last_number: int | None,
    printed_ms: int,
) -> dict[str, Any]:
    """Return everything a certificate shows.

    Parameters
    ----------
    test, result : RunTestRecord, RunTest
        The test and what it showed; of one worked out from a file the number is 0.
    settings : UnitSettings
        The unit as it is described.
    samples : Samples
        Readings over the test, for the chart.
    last, last_number : RunTest or None, int or None
        The unit's test before.
    printed_ms : int
        Now. [ms]
    """
    zone = ZoneInfo("UTC") if settings.site is None else settings.site.zone
    kind = _("fridge") if settings.unit.kind == "fridge" else _("freezer")
    place = "" if settings.site is None else settings.site.name
    plate = settings.unit.plate or ""
    return {
        "number": test.id,
        "unit": test.unit,
        "name": settings.name,
        "kind": testwords.KINDS[test.kind],
        "of": ", ".join(part for part in (f"{settings.name} ({test.unit})", kind, place, plate) if part),
        "printed": f"{text.stamp(printed_ms, zone)} {text.offset_name(printed_ms, zone)}",
        "verdict": testwords.VERDICTS[result.verdict],
        "sign": testwords.SIGNS[result.verdict],
        "meaning": testwords.MEANINGS[result.verdict],
        "conditions": testwords.conditions_words(result),
        "because": testwords.because_words(result),
        "unmeasured": testwords.unmeasured_words(result),
        "facts": testwords.facts(test, zone),
        "groups": testwords.groups(result),
        "before": testwords.before_rows(result, last),
        "last": last_number,
        "stretches": result.stretches_before,
        "said": [testwords.said_words(said, zone) for said in test.said],
        "chart": paper(samples, result, zone=zone),
        "chart_words": chart_words(result),
        "assumed": testwords.assumed_words(result.assumed),
        "cautions": list(testwords.CAUTIONS),
        "no_clearance": str(testwords.NO_CLEARANCE),
    }
