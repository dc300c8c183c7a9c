import numpy as np
import pytest

from services.analytics.power.background import Background
from services.analytics.power.charge import drawn_ah, load_a
from services.analytics.power.frame import frame_of
from services.analytics.power.threshold import Threshold
from tests.helpers.made_supply import Story, played, settings_for


def background(story):
    settings = settings_for(story)
    frame = frame_of(played(story), settings, None)
    return Background(
        frame=frame,
        settings=settings,
        threshold=Threshold(11.4, "file"),
        ah=drawn_ah(frame, load_a(frame, settings)),
        full_ms=np.empty(0, dtype=np.int64),
        measured_ah=None,
        charged=True,
    )


def test_a_discharge_from_the_top_to_the_next_charging_shows_the_capacity():
    story = Story(days=4, soc=0.98, capacity_ah=40, charge_a=lambda m: 30.0 if 360 < m % 1440 < 720 else 0.0)
    found = background(story)
    assert found.topped.any()
    times, shown = found.discharges
    assert times.size >= 2
    assert float(np.median(shown)) == pytest.approx(40, rel=0.3)


def test_a_bank_never_held_at_absorption_shows_none():
    story = Story(days=3, soc=0.5, charge_a=lambda m: 4.0 if 360 < m % 1440 < 480 else 0.0)
    times, _ = background(story).discharges
    assert times.size == 0
