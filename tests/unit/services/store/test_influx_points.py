"""Rows as lines of the line protocol, and points as rows again."""

import zlib

import pytest

from services.store.influx_points import (
    HIGHEST_NS,
    MEASURED_FIELDS,
    clusters,
    line_of,
    ns_of,
    row_at,
    select,
)
from services.store.rows import measured_of, row_of
from services.telemetry import Sample


def row(sq=4, *, tq=2, up_s=None, t_ms=1_760_000_000_123, **values):
    sample = Sample("v3-meat", 3, sq, t_ms, tq, values, up_s)
    return row_of(7, sample, 55, measured_of(values)[0])


def test_a_line_says_what_the_row_says():
    line = line_of("v3-meat", row(cabinet=-0.1, compressor=True, fault="fan"))
    tags, fields, time_ns = line.split(" ")
    assert tags == "samples,unit=v3-meat"
    assert fields == ('bid=3i,sq=4i,tq=2i,received_ms=55i,cabinet_mc=-100i,compressor_on=1i,fault="fan"')
    assert int(time_ns) == 1_760_000_000_123_000_000 + zlib.crc32(b"3,4") % 1_000_000


def test_samples_of_one_millisecond_have_points_of_their_own():
    times = {ns_of(1_000, bid, sq) for bid in range(20) for sq in range(20)}
    assert len(times) == 400
    assert {time_ns // 1_000_000 for time_ns in times} == {1_000}
    assert ns_of(-1, 1, 1) // 1_000_000 == -1, "before 1970 too"


def test_texts_and_names_are_escaped():
    line = line_of("a b,c=d", row(fault='say "no" \\'))
    assert line.startswith("samples,unit=a\\ b\\,c\\=d ")
    assert 'fault="say \\"no\\" \\\\"' in line
    assert "unit = 'it\\'s'" in select("sq", "it's")


def test_a_number_that_does_not_fit_is_the_callers_business():
    with pytest.raises(OverflowError, match="cabinet_mc"):
        line_of("v3-meat", row(cabinet=1e300))


def test_a_point_read_with_all_fields_is_the_row_that_was_written():
    written = row(tq=1, up_s=9.5, cabinet=1.0, note="x")
    written[6] = 9_500
    point = [ns_of(*written[1:4]), *written[2:]]
    assert row_at(7, point) == written
    assert len(written) == 7 + len(MEASURED_FIELDS)


def test_times_beyond_what_a_server_knows_are_brought_within():
    assert select("sq", "u", start_ms=0, end_ms=2**62).endswith(f"time >= 0 AND time < {HIGHEST_NS}")


def test_times_near_each_other_are_one_question():
    assert clusters([5, 100, 7, 8], apart_ms=2) == [(5, 8), (100, 100)]
    assert clusters([], apart_ms=2) == []
