import numpy as np

from deploy.backtest_atrisk import at_risk_table, by_kind_table
from deploy.backtest_scores import Asked


def asked(true_h, said_h, *, panels=False, shared=False):
    return Asked(
        unit="1 a", bank="1 b", shared=shared, t_ms=0, true_h=5.0, said_h=np.array([1.0, 2.0, 3.0]),
        why_not="", chance_beyond=0.0, counted_h=1.0, line_h=1.0, panels=panels, true_warm_h=true_h,
        said_warm_h=np.array(said_h),
    )  # fmt: skip


def test_errors_are_told_apart_by_what_charges_the_bank():
    every = [
        asked(10.0, [8.0, 12.0, 14.0]),
        asked(4.0, [5.0, 6.0, 7.0], panels=True, shared=True),
        asked(np.nan, [1, 2, 3]),
    ]
    rows = {line[2:20].strip(): line[20:].split() for line in at_risk_table(every).splitlines()[2:]}
    assert rows["all"] == ["2", "35%", "50%", "50%"]
    assert rows["charged by drives"] == ["1", "20%", "0%", "100%"]
    assert rows["charged by panels"] == ["1", "50%", "100%", "0%"]
    assert rows["of two cabinets"] == ["1", "50%", "100%", "0%"]
    rows = {line[2:20].strip(): line[20:].split() for line in by_kind_table(every).splitlines()[2:]}
    assert rows["all"] == ["3", "60%", "0%", "0%"]
    assert rows["of two cabinets"] == ["1", "60%", "0%", "0%"]
