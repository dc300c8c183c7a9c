"""What people of a workshop type: parts, moments, readings of gauges."""

from zoneinfo import ZoneInfo

import pytest
from starlette.exceptions import HTTPException

from dashboards.pages.jobforms import SheetTyped, moment_or_none, parts_from, reading_or_none, sheet_from
from services.domain import Part

LUSAKA = ZoneInfo("Africa/Lusaka")


def test_parts_are_one_a_line_with_or_without_how_many():
    typed = "2 x fuse 15 A\n\n4,5 \N{MULTIPLICATION SIGN} cable 6 mm²\ncompressor fan\n3*lug M8\n12 V relay"
    assert parts_from(typed) == (
        Part(what="fuse 15 A", count=2),
        Part(what="cable 6 mm²", count=4.5),
        Part(what="compressor fan"),
        Part(what="lug M8", count=3),
        Part(what="12 V relay"),
    )
    assert parts_from(" \n") == ()


@pytest.mark.parametrize("typed", ["0 x fuse", "x" * 81, "\n".join(["lug"] * 41)])
def test_what_is_no_list_of_parts_is_said_so(typed):
    with pytest.raises(HTTPException) as told:
        parts_from(typed)
    assert told.value.status_code == 422


def test_a_moment_is_told_by_the_clock_of_its_place():
    assert moment_or_none("2026-03-06T05:30", LUSAKA).isoformat() == "2026-03-06T05:30:00+02:00"
    assert moment_or_none("", LUSAKA) is None
    with pytest.raises(HTTPException):
        moment_or_none("tomorrow early", LUSAKA)


def test_readings_are_zero_or_more_with_comma_or_point():
    assert [reading_or_none(t) for t in ("0", "12,5", "1 250", "")] == [0.0, 12.5, 1250.0, None]
    for wrong in ("-3", "ten", "1.2.3"):
        with pytest.raises(HTTPException):
            reading_or_none(wrong)


def test_gauges_in_bar_and_pascal_are_kept_in_one_unit_each():
    held = sheet_from(
        SheetTyped(person="P", check="nitrogen", start_bar="10", end_bar="9,9", start_c="20", minutes="30")
    )
    assert (held.start_kpa, held.end_kpa, held.start_c, held.end_c) == (1000, pytest.approx(990), 20, None)
    pulled = sheet_from(SheetTyped(person="P", check="vacuum", reached="66.661", after="80", gauge="pa"))
    assert pulled.reached_micron == pytest.approx(500)
    assert sheet_from(SheetTyped(person="P", check="charge", grams="40")).plate_grams is None
    with pytest.raises(HTTPException, match="none that a gauge"):
        sheet_from(SheetTyped(person="P", check="nitrogen", start_bar="900"))
