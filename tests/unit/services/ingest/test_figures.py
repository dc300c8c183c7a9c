import pytest

from services.ingest.figures import COMMIT_BOUNDS_S, Figures


def test_commits_are_counted_by_how_long_they_took():
    figures = Figures()
    for took_s in (0.001, 0.002, 0.0021, 9.0):
        figures.committed(took_s, lag_ms=7)
    said = figures.said(queue=3, connected=True)
    assert said["commits"][:2] == [2, 1]
    assert said["commits"][-1] == 1
    assert len(said["commits"]) == len(COMMIT_BOUNDS_S) + 1
    assert said["commit_sum_s"] == pytest.approx(9.0051)
    assert (said["lag_ms"], said["queue"], said["connected"], said["trouble"]) == (7, 3, True, None)
