import numpy as np
import pytest

from services.telemetry import Series, milli_of


def _series():
    return Series(
        np.array([0, 10, 10, 20]),
        {
            "cabinet_c": np.array([4.0, np.nan, 5.0, 6.0]),
            "product_c": np.full(4, np.nan),
            "supply": np.array([None, "solar", None, None], dtype=object),
            "fault": np.full(4, None, dtype=object),
        },
    )


@pytest.mark.parametrize(
    ("value", "milli"), [(4.25, 4250), (0.0005, 0), (0.0015, 2), (-0.0005, 0), (-18.1, -18100)]
)
def test_milli_units_round_half_to_even(value, milli):
    assert milli_of(value) == milli


def test_absent_columns_read_as_not_measured():
    series = _series()
    assert np.isnan(series.numbers("battery_v")).all()
    assert list(Series(series.t_ms).texts("supply")) == [None] * 4


def test_a_column_without_a_measurement_has_nothing():
    series = _series()
    assert [series.has(c) for c in ("cabinet_c", "product_c", "supply", "fault", "battery_v")] == [
        True,
        False,
        True,
        False,
        False,
    ]


def test_between_is_half_open_and_keeps_equal_times_together():
    assert list(_series().between(10, 20).numbers("cabinet_c")[1:]) == [5.0]
    assert len(_series().between(10, 20)) == 2
    assert list(_series().texts("supply")) == [None, "solar", None, None]


def test_times_that_run_backwards_and_columns_of_another_length_are_refused():
    with pytest.raises(ValueError, match="backwards"):
        Series(np.array([1, 0]))
    with pytest.raises(ValueError, match="shape"):
        Series(np.array([0, 1]), {"cabinet_c": np.array([1.0])})


def test_an_empty_series_has_no_samples_and_all_columns_are_known():
    assert len(Series.empty()) == 0
    assert {"cabinet_c", "compressor_on", "supply"} <= set(Series.known_columns())
