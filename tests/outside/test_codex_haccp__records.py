"""What a record of a cold chain must keep, checked on real records, readings and the printed log.

Codex Alimentarius, General Principles of Food Hygiene CXC 1-1969 (revised 2020/2022), HACCP chapter: written
corrective action that names what became of the food, records signed by who monitored and by a reviewer
(2003 wording read in a secondary copy; 2020/22 wording from memory). Regulation (EC) 37/2005 articles 2-3
(read as reprinted in WSI 2007/389 Schedule 1): air temperatures recorded at frequent, regular intervals,
dated, kept a year at least. The four cases are this project's own reading of them.
"""

import csv
import io
import re

import pytest

from dashboards.reports import sheet, table
from deploy.logbook import LogBook
from deploy.reporting import Period
from services.errors import Refused
from services.monitor.worker import Monitor
from services.telemetry import Sample
from services.timebase import MINUTE_MS
from tests.helpers.inspected import DAY, PRINTED_MS, TODAY, fleet, open_book, steady, warm_between

pytestmark = pytest.mark.outside


def made(book, period=None):
    return LogBook(book.records, book.reader).sheet(
        "camp-meat", period or Period(TODAY, TODAY), printed_ms=PRINTED_MS
    )


def rows_of(log):
    return list(csv.DictReader(io.StringIO(table.csv_bytes(log).decode("utf-8-sig"))))


def as_text(html):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html))


@pytest.fixture
def opened(tmp_path):
    books = []

    def _open(*arguments, **options):
        books.append(open_book(tmp_path, *arguments, **options))
        return books[-1]

    yield _open
    for book in books:
        book.close()


@pytest.mark.parametrize(
    ("who", "probe_c", "disposition", "reason"),
    [
        ("", 9.0, "discarded", "too warm"),
        ("Nobody", 9.0, "discarded", "too warm"),
        ("Jonas K.", float("nan"), "discarded", "too warm"),
        ("Jonas K.", 9.0, "", "too warm"),
        ("Jonas K.", 9.0, "discarded", ""),
    ],
)
def test_rec_1_an_alarm_is_not_closed_without_name_probe_disposition_and_reason(
    opened, who, probe_c, disposition, reason
):
    book = opened(warm_between(600, 900, 11.0), days=1.9)
    monitor = Monitor(book.reader, book.records)
    while monitor.step(DAY + 900 * MINUTE_MS).more:
        pass
    assert book.records.card("camp-meat").standing.value in {"hold", "discard_advised"}
    with pytest.raises(Refused):
        book.records.release_hold(
            "camp-meat",
            who=who,
            probe_c=probe_c,
            disposition=disposition,
            reason=reason,
            now_ms=DAY + 901 * MINUTE_MS,
        )
    assert not [s for s in book.records.statements("camp-meat") if s.kind == "release"]
    book.records.release_hold(
        "camp-meat",
        who="Jonas K.",
        probe_c=9.0,
        disposition="discarded",
        reason="too warm",
        now_ms=DAY + 902 * MINUTE_MS,
    )
    shown = as_text(sheet.html(made(book)))
    assert "Hold closed" in shown
    assert "probe 9.0 °C; disposition discarded; reason: too warm" in shown
    assert "Jonas K." in shown


def test_rec_2_a_reading_that_comes_again_otherwise_leaves_the_old_value_shown(opened):
    book = opened(steady)
    held = Sample("camp-meat", 1, 1440 + 30, DAY + 30 * MINUTE_MS, 2, {"cabinet": 2.0, "compressor": True})
    book.store.append([held], received_ms=PRINTED_MS - MINUTE_MS)
    log = made(book)
    first = f"{steady(30):.3f}"
    (reading,) = [r for r in rows_of(log) if r["kind"] == "reading" and r["time"] == "2026-03-03T22:30:00Z"]
    assert float(reading["cabinet_c"]) == pytest.approx(float(first), abs=1e-9)
    (twice,) = [r for r in rows_of(log) if r["kind"] == "contradiction"]
    assert "the first stays" in twice["what"]
    assert "cabinet 2, compressor yes" in twice["what"]
    shown = as_text(sheet.html(log))
    assert f"The first one stays: cabinet_c {float(first):g}" in shown
    assert "The later one said: cabinet 2, compressor yes" in shown


def test_rec_3_a_day_with_23_h_of_data_and_a_gap_says_how_much_is_unknown(opened):
    book = opened(steady, silent=((600, 660),))
    log = made(book)
    (day,) = log.days
    assert day.silent_minutes == 60.0
    (line,) = [entry for entry in day.lines if entry.exposure.basis == "probe"]
    assert line.exposure.minutes_above == 0.0
    assert line.exposure.minutes_unknown == pytest.approx(60.0, abs=1e-6)
    assert line.exposure.compliant == "unknown"
    shown = as_text(sheet.html(log))
    assert "60 min unknown" in shown
    assert "60.0 min without readings of the cabinet: nothing is known of the food in that time" in shown
    assert "For the time without readings nothing is known." in shown
    (gap,) = [r for r in rows_of(log) if r["kind"] == "no reading"]
    assert gap["what"] == "60 min unknown"


def test_rec_4_a_limit_changed_in_the_middle_of_an_event_keeps_both_with_times_and_minutes(opened):
    # 4.6 °C for 100 min: nothing above the 5 °C of red meat, 100 min above the 4 °C of poultry (R638, E)
    book = opened(warm_between(600, 700, 4.6))
    book.records.apply_fleet(fleet(classes='["poultry"]'), who="operator", now_ms=DAY + 650 * MINUTE_MS)
    log = made(book)
    first, second = log.regimes
    assert first.span.end_ms == second.span.start_ms == DAY + 650 * MINUTE_MS
    assert ([r.limit_c for r in first.limits], [r.limit_c for r in second.limits]) == ([5.0], [4.0])
    by_regime = {line.regime: line.exposure for line in log.days[0].lines if line.exposure.basis == "probe"}
    assert by_regime[0].minutes_above == 0.0
    assert by_regime[1].minutes_above == pytest.approx(101.0, abs=1.0)
    (stretch,) = log.stretches
    assert stretch.span.start_ms == pytest.approx(DAY + 600 * MINUTE_MS, abs=MINUTE_MS)
    shown = as_text(sheet.html(log))
    assert "the description changed: counted above 5.0 °C (South Africa R638) [1] until then, " in shown
    assert "counted above 4.0 °C (South Africa R638) [2] from then on" in shown
    assert re.search(
        r"above 5\.0 °C \[1\] \(South Africa R638\) product probe 0 min \(0 min while it held\)", shown
    )
    told = re.search(
        r"above 4\.0 °C \[2\] \(South Africa R638\) product probe "
        r"(\d+\.\d) min \((\d+\.\d) min while it held\)",
        shown,
    )
    assert told is not None
    assert [float(minutes) for minutes in told.groups()] == pytest.approx([101.0, 50.5], abs=1.0)
    limits = [r for r in rows_of(log) if r["kind"] == "limit"]
    assert [(r["limit_c"], r["time"], r["until"]) for r in limits] == [
        ("5", "2026-03-03T22:00:00Z", "2026-03-04T08:50:00Z"),
        ("4", "2026-03-04T08:50:00Z", "2026-03-04T22:00:00Z"),
    ]
