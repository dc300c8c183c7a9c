"""Logs: layout and order change nothing, and no text does harm."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from services.telemetry.logfile import LogUnreadable, parse_log
from services.timebase import iso_of

ROWS = st.lists(
    st.tuples(
        st.integers(0, 10**8),
        st.none() | st.integers(-(10**6), 10**6),
        st.none() | st.booleans(),
        st.sampled_from(["", "solar", "battery"]),
    ),
    min_size=1,
    max_size=20,
    unique_by=lambda row: row[0],
).filter(lambda rows: any(row[1] is not None for row in rows))


def _text(rows, *, separator, comma, iso, words, end):
    lines = ["time cabinet_c lid_open supply".replace(" ", separator)]
    for t_s, milli, lid, supply in rows:
        number = "" if milli is None else f"{milli / 1000:.3f}"
        cells = [
            iso_of(t_s * 1000) if iso else str(t_s),
            number.replace(".", ",") if comma else number,
            "nan" if lid is None else words[lid],
            supply,
        ]
        lines.append(separator.join(cells))
    return end.join(lines) + end


LAYOUTS = st.fixed_dictionaries(
    {
        "separator": st.sampled_from([";", "\t"]),
        "comma": st.booleans(),
        "iso": st.booleans(),
        "words": st.sampled_from([("0", "1"), ("false", "TRUE"), ("off", "on"), ("No", "Yes")]),
        "end": st.sampled_from(["\n", "\r\n", "\r"]),
    }
)
PLAIN = {"separator": ",", "comma": False, "iso": True, "words": ("0", "1"), "end": "\n"}


@given(rows=ROWS, layout=LAYOUTS, data=st.data())
def test_layout_and_order_of_rows_change_nothing(rows, layout, data):
    plain = parse_log(_text(sorted(rows), **PLAIN))
    other = parse_log(_text(data.draw(st.permutations(rows)), **layout))
    assert plain.cells == other.cells == ()
    np.testing.assert_array_equal(plain.series.t_ms, other.series.t_ms)
    for column in ("cabinet_c", "lid_open"):
        np.testing.assert_array_equal(plain.series.numbers(column), other.series.numbers(column))
    assert list(plain.series.texts("supply")) == list(other.series.texts("supply"))


@given(rows=ROWS)
def test_what_was_written_is_what_is_read(rows):
    series = parse_log(_text(rows, **PLAIN)).series
    for i, (t_s, milli, lid, supply) in enumerate(sorted(rows)):
        assert series.t_ms[i] == t_s * 1000
        assert (
            np.isnan(series.numbers("cabinet_c")[i])
            if milli is None
            else series.numbers("cabinet_c")[i] == milli / 1000
        )
        assert (
            np.isnan(series.numbers("lid_open")[i]) if lid is None else series.numbers("lid_open")[i] == lid
        )
        assert series.texts("supply")[i] == (supply or None)


CELLS = st.text(max_size=8) | st.sampled_from(
    [
        "",
        "4.5",
        "4,5",
        "nan",
        "inf",
        "1",
        "on",
        '"',
        '"4"',
        "1767225600",
        "2026-01-01T00:00:00Z",
        "9" * 400,
        "1e999",
    ]
)


def _judged(text, **arguments):
    try:
        log = parse_log(text, **arguments)
    except LogUnreadable:
        return
    assert len(log.series) == log.rows - log.rows_lost
    assert len(log.series) > 0
    lines = text.count("\n") + text.count("\r") + 1
    assert all(1 <= cell.line <= lines and cell.reason for cell in log.cells)
    for column in ("cabinet_c", "battery_v"):
        assert not np.isinf(log.series.numbers(column)).any()


@settings(max_examples=300)
@given(rows=st.lists(st.lists(CELLS, max_size=5), max_size=6), separator=st.sampled_from([",", ";", "\t"]))
def test_rows_of_anything_are_judged_not_fallen_over(rows, separator):
    lines = ["time,cabinet_c,battery_v,lid_open,supply".replace(",", separator)]
    lines += [separator.join(cells) for cells in rows]
    _judged("\n".join(lines))


@given(text=st.text(max_size=200), name=st.text(max_size=5))
def test_any_text_at_all_is_judged_not_fallen_over(text, name):
    _judged(text)
    _judged(text, columns={"cabinet_c": name}, time_column=name)
    _judged(f"time,cabinet_c\n{text}\n1,4")
