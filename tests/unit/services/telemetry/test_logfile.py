from datetime import timedelta, timezone
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from services.errors import ConfigurationError
from services.telemetry.logfile import LogUnreadable, parse_log

T0_MS = 1_767_225_600_000
"""2026-01-01T00:00:00Z"""


def _cells(log):
    return [(cell.line, cell.column) for cell in log.cells]


def test_a_plain_log_is_read_whole():
    log = parse_log(
        "time,cabinet_c,battery_v,compressor_on,supply\n"
        "2026-01-01T00:00:00Z,4.25,12.61,1,battery\n"
        "2026-01-01T00:01:00Z,4.3,12.6,0,solar\n"
    )
    assert list(log.series.t_ms) == [T0_MS, T0_MS + 60_000]
    assert list(log.series.numbers("cabinet_c")) == [4.25, 4.3]
    assert list(log.series.numbers("compressor_on")) == [1.0, 0.0]
    assert list(log.series.texts("supply")) == ["battery", "solar"]
    assert (log.cells, log.unknown_columns, log.rows, log.rows_lost) == ((), (), 2, 0)


@pytest.mark.parametrize(
    "time",
    [
        "2026-01-01T00:00:00Z",
        "2026-01-01 00:00:00+00:00",
        "2026-01-01T02:00+02:00",
        "2025-12-31T19:00:00.000-05:00",
        "20260101T000000Z",
        "1767225600",
        "1767225600.0",
        "1.7672256e9",
    ],
)
def test_times_are_iso_with_an_offset_or_seconds(time):
    assert list(parse_log(f"time,cabinet_c\n{time},4").series.t_ms) == [T0_MS]


@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_separators_are_told_from_the_header(separator):
    log = parse_log(f"time,cabinet_c,lid_open\n{T0_MS // 1000},4.5,yes".replace(",", separator))
    assert (log.series.numbers("cabinet_c")[0], log.series.numbers("lid_open")[0]) == (4.5, 1.0)


def test_a_decimal_comma_is_read_between_semicolons_and_in_quotes():
    between = parse_log("time;cabinet_c;battery_v\n1767225600,5;-18,25;12,61\n")
    quoted = parse_log('time,cabinet_c,battery_v\n"1767225600,5","-18,25",12.61\n')
    for log in (between, quoted):
        assert list(log.series.t_ms) == [T0_MS + 500]
        assert (log.series.numbers("cabinet_c")[0], log.series.numbers("battery_v")[0]) == (-18.25, 12.61)


def test_a_decimal_comma_between_commas_loses_the_row_rather_than_shift_it():
    log = parse_log(f"time,cabinet_c,battery_v\n{T0_MS // 1000},4,5,12,6\n{T0_MS // 1000},4.5,12.6")
    assert list(log.series.numbers("cabinet_c")) == [4.5]
    assert _cells(log) == [(2, "time")]
    assert "5 cells" in log.cells[0].reason
    assert log.rows_lost == 1


@pytest.mark.parametrize(
    ("word", "value"),
    [("1", 1), ("0", 0), ("true", 1), ("FALSE", 0), ("On", 1), ("off", 0), ("yes", 1), ("No", 0), ("1.0", 1)],
)
def test_booleans_in_every_spelling(word, value):
    assert parse_log(f"time,compressor_on\n1,{word}").series.numbers("compressor_on")[0] == value


def test_empty_and_nan_are_not_measured_and_not_bad():
    log = parse_log("time,cabinet_c,lid_open,supply\n1,,NaN,nan\n2,4,1,mains\n3,nan,,\n")
    assert log.cells == ()
    assert np.isnan(log.series.numbers("cabinet_c")).tolist() == [True, False, True]
    assert list(log.series.texts("supply")) == [None, "mains", None]


def test_a_bad_cell_loses_that_cell_only():
    log = parse_log("time,cabinet_c,battery_v,lid_open\n1,4,12,0\n2,x,12.5,0\n3,5,n/a,maybe\n")
    assert list(log.series.numbers("battery_v")[:2]) == [12.0, 12.5]
    assert _cells(log) == [(3, "cabinet_c"), (4, "battery_v"), (4, "lid_open")]
    assert log.rows_lost == 0


@pytest.mark.parametrize(
    "cell", ["inf", "-Infinity", "1e13", "1_0", "0x10", "1,234.5", "4 C", "--4", "٤", "1e9999"]
)
def test_what_is_no_number_is_a_bad_cell(cell):
    log = parse_log(f"time;cabinet_c\n1;{cell}\n2;4")
    assert _cells(log) == [(2, "cabinet_c")]


def test_numbers_are_kept_in_milli_units_half_to_even():
    log = parse_log("time,cabinet_c\n1,4.0005\n2,4.0015\n3,-0.0001\n4,23.456789\n5,.5\n6,+5.\n")
    assert log.series.numbers("cabinet_c").tolist() == [4.0, 4.002, 0.0, 23.457, 0.5, 5.0]


def test_rows_may_come_in_any_order_and_equal_times_keep_theirs():
    log = parse_log("time,cabinet_c\n3,3\n1,1\n2,20\n2,21\n1,11\n")
    assert log.series.t_ms.tolist() == [1000, 1000, 2000, 2000, 3000]
    assert log.series.numbers("cabinet_c").tolist() == [1, 11, 20, 21, 3]


def test_a_naive_time_loses_its_row_unless_a_zone_is_given():
    text = "time,cabinet_c\n2026-01-01T02:00:00,4\n2026-01-01T00:01:00Z,5\n"
    log = parse_log(text)
    assert log.series.numbers("cabinet_c").tolist() == [5.0]
    assert _cells(log) == [(2, "time")]
    assert "offset" in log.cells[0].reason
    for zone in (ZoneInfo("Africa/Lusaka"), timezone(timedelta(hours=2))):
        assert parse_log(text, zone=zone).series.t_ms.tolist() == [T0_MS, T0_MS + 60_000]


@pytest.mark.parametrize(
    "time",
    [
        "",
        "yesterday",
        "-5",
        "1767225600000",
        "1e20",
        "1960-01-01T00:00:00Z",
        "2026-13-01T00:00:00Z",
        "0001-01-01",
    ],
)
def test_what_is_no_time_loses_its_row(time):
    log = parse_log(f"time,cabinet_c\n{time},4\n1,5", zone=ZoneInfo("Africa/Lusaka"))
    assert log.series.t_ms.tolist() == [1000]
    assert _cells(log) == [(2, "time")]


def test_columns_may_have_other_names():
    text = "when,t1,t2,rh\n1,4,5,80\n"
    log = parse_log(text, columns={"cabinet_c": "t2", "ambient_c": "t1"}, time_column="when")
    assert (log.series.numbers("cabinet_c")[0], log.series.numbers("ambient_c")[0]) == (5.0, 4.0)
    assert log.unknown_columns == ("rh",)


def test_a_mapped_column_wins_over_one_that_bears_its_name():
    log = parse_log("time,cabinet_c,t2\n1,4,5\n", columns={"cabinet_c": "t2"})
    assert log.series.numbers("cabinet_c")[0] == 5.0
    assert log.unknown_columns == ("cabinet_c",)


def test_names_may_differ_in_case_and_a_bad_cell_is_named_as_the_file_does():
    log = parse_log("Time,CABINET_C\n1,4\n2,x\n")
    assert log.series.has("cabinet_c")
    assert _cells(log) == [(3, "CABINET_C")]


def test_unknown_columns_are_named_even_without_a_name():
    assert parse_log("time,,cabinet_c,humidity\n1,9,4,80\n").unknown_columns == ("column 2", "humidity")


def test_byte_order_mark_line_ends_blank_lines_and_the_separator_line_do_no_harm():
    log = parse_log("\ufeffsep=;\r\n\r\ntime;cabinet_c\r\n1;4\r\n\r\n;\r\n2;x\r\n")
    assert log.series.numbers("cabinet_c")[0] == 4.0
    assert _cells(log) == [(7, "cabinet_c")]
    assert log.rows == 2


def test_short_rows_are_not_measured_and_empty_cells_too_many_do_no_harm():
    log = parse_log("time,cabinet_c,battery_v\n1,4\n2,5,12,,\n")
    assert log.cells == ()
    assert np.isnan(log.series.numbers("battery_v")[0])


def test_quotes_that_do_not_close_lose_one_row_not_the_rest_of_the_file():
    log = parse_log('time,cabinet_c\n1,"4\n2,5\n3,6\n')
    assert log.series.numbers("cabinet_c").tolist() == [5.0, 6.0]
    assert _cells(log) == [(2, "time")]


def test_a_quoted_name_may_hold_another_separator():
    assert parse_log('time,"note; free",cabinet_c\n1,"a, b",4\n').unknown_columns == ("note; free",)


@pytest.mark.parametrize(
    ("text", "arguments", "line", "column"),
    [
        ("", {}, 1, "time"),
        ("\n  \n", {}, 1, "time"),
        ("when,cabinet_c\n1,4", {}, 1, "time"),
        ("time,cabinet_c\n1,4", {"time_column": "when"}, 1, "when"),
        ("time,humidity\n1,4", {}, 1, "time"),
        ("time,cabinet_c\n", {}, 1, "cabinet_c"),
        ("time,cabinet_c\n1,\n", {}, 1, "cabinet_c"),
        ("time,cabinet_c\nx,4\n", {}, 2, "time"),
        ("time,cabinet_c\n1,x\n", {}, 2, "cabinet_c"),
        ("time,cabinet_c,cabinet_c\n1,4,5", {}, 1, "cabinet_c"),
        ("time,time,cabinet_c\n1,4,5", {}, 1, "time"),
        ("time,cabinet_c\n1,4", {"columns": {"cabinet_c": "t9"}}, 1, "t9"),
        ("time,cabinet_c\n1,4", {"columns": {"humidity": "cabinet_c"}}, None, "humidity"),
        ('time,"cabinet_c\n1,4', {}, 1, None),
        ("\x00\x01\x02", {}, 1, "time"),
    ],
)
def test_nothing_usable_names_line_and_column(text, arguments, line, column):
    with pytest.raises(LogUnreadable) as raised:
        parse_log(text, **arguments)
    assert isinstance(raised.value, ConfigurationError)
    assert (raised.value.line, raised.value.setting) == (line, column)


def test_one_bad_time_among_many_good_ones_loses_one_row():
    good = [f"2026-01-01T00:0{k}:00Z,{k}" for k in range(3)]
    for bad in (
        "2026-02-30T00:00:00Z",
        "1969-12-31T23:59:59Z",
        "2026-01-01T24:00:01Z",
        "2026-01-01T00:00:61Z",
    ):
        log = parse_log("\n".join(["time,cabinet_c", *good, f"{bad},9"]))
        assert log.series.numbers("cabinet_c").tolist() == [0.0, 1.0, 2.0]
        assert _cells(log) == [(5, "time")]


def test_a_long_text_is_a_bad_cell():
    log = parse_log(f"time,cabinet_c,supply\n1,4,{'s' * 65}\n2,5,solar\n")
    assert _cells(log) == [(2, "supply")]


def test_a_log_of_texts_alone_is_usable():
    assert list(parse_log("time,fault\n1,fan\n2,\n").series.texts("fault")) == ["fan", None]


def test_an_empty_column_at_the_end_of_the_header_is_no_column():
    log = parse_log("time,cabinet_c,\n1,4,\n2,4,5\n")
    assert log.unknown_columns == ()
    assert _cells(log) == [(3, "time")]
