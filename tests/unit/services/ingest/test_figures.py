import pytest

from services.ingest.figures import COMMIT_BOUNDS_S, CUT_OFF_AFTER_S, NO_BROKER, Figures


def test_commits_are_counted_by_how_long_they_took():
    figures = Figures()
    for took_s in (0.001, 0.002, 0.0021, 9.0):
        figures.committed(took_s, lag_ms=7)
    said = figures.said(queue=3, connected=True, moment_s=0.0)
    assert said["commits"][:2] == [2, 1]
    assert said["commits"][-1] == 1
    assert len(said["commits"]) == len(COMMIT_BOUNDS_S) + 1
    assert said["commit_sum_s"] == pytest.approx(9.0051)
    assert (said["lag_ms"], said["queue"], said["connected"], said["trouble"]) == (7, 3, True, None)


def test_a_broker_that_is_away_for_longer_than_a_restart_takes_is_trouble():
    figures = Figures()

    def trouble(connected, moment_s):
        return figures.said(queue=0, connected=connected, moment_s=moment_s)["trouble"]

    assert trouble(connected=False, moment_s=5.0) is None
    assert trouble(connected=False, moment_s=5.0 + CUT_OFF_AFTER_S) == NO_BROKER
    figures.trouble = "The disk is full."
    assert trouble(connected=False, moment_s=30.0) == "The disk is full."
    figures.trouble = None
    assert trouble(connected=True, moment_s=31.0) is None
    assert trouble(connected=False, moment_s=32.0) is None
