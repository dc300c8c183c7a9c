import numpy as np

from services.analytics.food.entries import (
    Readings,
    Terms,
    air_clock,
    cabinet_entries,
    clock_entries,
    food_clocks,
    headline,
)
from services.analytics.food.rules import limits_of, marks_of
from services.domain import Food, Sensor, Site, Unit, UnitSettings, Verdict
from tests.helpers.logs import MIDNIGHT_MS, MINUTE_MS, unit

NOTHING = Readings(np.empty(0, dtype=np.int64), np.empty(0))


def readings(*values_c):
    return Readings(MIDNIGHT_MS + np.arange(len(values_c)) * MINUTE_MS, np.array(values_c, dtype=float))


def terms(air, **fields):
    options = {"gap_ms": 3.0 * MINUTE_MS, "interval_ms": 60_000.0, "heard_ms": MIDNIGHT_MS, "expected": ()}
    return Terms(air=air, **(options | fields))


def judged(settings, *, cabinet=NOTHING, product=NOTHING, as_of_min, **fields):
    clocks = food_clocks(cabinet, product, limits_of(settings), settings, terms(cabinet, **fields))
    as_of_ms = MIDNIGHT_MS + as_of_min * MINUTE_MS
    return [e for c in clocks for e in clock_entries(c, settings, as_of_ms=as_of_ms, clock_from_ms=None)]


def test_readings_leave_out_what_was_not_measured():
    found = Readings.of(np.array([1, 2, 3]), np.array([4.0, np.nan, 5.0]))
    assert found.t_ms.tolist() == [1, 3]
    assert found.since(2).value_c.tolist() == [5.0]


def test_the_clock_runs_on_the_probe_only_where_it_is_the_warmest_spot():
    cabinet, product = readings(3, 3, 3), readings(2, 2, 2)
    mapped = judged(unit(position="product"), cabinet=cabinet, product=product, as_of_min=2)
    assert [e.basis for e in mapped] == ["probe"]
    both = judged(unit(), cabinet=cabinet, product=product, as_of_min=2)
    assert [e.basis for e in both] == ["modelled_food", "probe"]
    assert [e.basis for e in judged(unit(), cabinet=cabinet, as_of_min=2)] == ["modelled_food"]


def test_a_cabinet_sensor_in_the_food_is_the_probe_where_there_is_no_other():
    (found,) = judged(unit(position="product"), cabinet=readings(6, 6, 6), as_of_min=2)
    assert (found.basis, found.minutes_above) == ("probe", 2)


def test_another_probe_can_raise_but_its_silence_decides_nothing():
    cabinet = readings(*([3] * 400))
    warm = judged(unit(), cabinet=cabinet, product=readings(*([9] * 300)), as_of_min=399)
    assert [e.verdict for e in warm] == [Verdict.OK, Verdict.DISCARD_ADVISED]
    silent = judged(unit(), cabinet=cabinet, product=readings(3, 3), as_of_min=399)
    assert [e.verdict for e in silent] == [Verdict.OK, Verdict.OK]
    assert silent[1].minutes_unknown == 398
    assert silent[1].compliant == "unknown"


def test_what_a_person_said_of_an_empty_unit_comes_before_minutes_and_silence():
    warm = readings(*([20] * 300))
    for state, words, verdict in (
        ("empty", "empty", Verdict.OK),
        ("off", "switched off", Verdict.NO_DATA),
        ("bench", "on the bench", Verdict.NO_DATA),
    ):
        (found,) = judged(unit(state=state), cabinet=warm, as_of_min=900)
        assert found.verdict is verdict
        assert found.why.startswith(f"{words}, said by a person")
        assert found.minutes_above > 0


def test_an_episode_has_its_ends_peak_and_mean():
    settings = unit(classes=("cooked",), position="product")
    (found,) = judged(settings, product=readings(4, 6, 6, 4), as_of_min=3)
    (episode,) = found.episodes
    assert (episode.start, episode.end) == (MIDNIGHT_MS + 30_000, MIDNIGHT_MS + 150_000)
    assert (episode.minutes, episode.peak_c, episode.mean_c) == (2.0, 6.0, 5.75)
    assert found.peak_c == 6.0


def test_the_lowest_temperature_is_the_peak_where_food_must_not_freeze():
    found = judged(unit(classes=("medicine",), position="product"), product=readings(4, 1, 3), as_of_min=2)
    low = next(e for e in found if e.limit_c == 2.0)
    assert low.peak_c == 1.0
    assert low.episodes[0].peak_c == 1.0
    assert "below 2 °C" in low.why


def test_air_raises_at_most_watch_and_only_while_it_stands():
    settings = unit(classes=("cooked",))
    for minutes, verdict in ((29, Verdict.OK), (600, Verdict.WATCH)):
        warm = readings(*([9] * (minutes + 1)))
        clock = air_clock(warm, limits_of(settings).limits, terms(warm))
        (found,) = cabinet_entries(clock, settings, as_of_ms=MIDNIGHT_MS + minutes * MINUTE_MS, marks=0)
        assert found.verdict is verdict
        assert found.minutes_above == minutes
        assert found.compliant == "unknown"


def test_a_freezer_shows_five_marks_without_a_verdict():
    assert [m.limit_c for m in marks_of(unit("freezer"))] == [-18, -15, -12, -5, 0]
    assert marks_of(unit()) == ()


def test_no_law_is_broken_by_warm_drinks():
    (found,) = judged(unit(classes=("drinks",)), cabinet=readings(*([20] * 600)), as_of_min=599)
    assert found.compliant is None
    assert found.compliant_reason
    assert found.verdict is Verdict.WATCH


def with_error(error_k, **food):
    food = {"classes": ("cooked",), **food}
    return UnitSettings.of(
        Unit(
            id="camp-meat",
            kind="fridge",
            food=Food(**food),
            sensor=Sensor(position="product", error_k=error_k),
            supply={"kind": "mains"},
        )
    )


def test_the_second_line_of_a_sensor_s_error_warns_and_leaves_the_law_s_minutes_alone():
    line, guard = judged(with_error(0.5), product=readings(*([4.8] * 601)), as_of_min=600)
    assert (line.limit_c, line.minutes_above, line.verdict, line.compliant) == (5.0, 0, Verdict.OK, "yes")
    assert (guard.limit_c, guard.minutes_above, guard.verdict) == (4.5, 600, Verdict.WATCH)
    assert guard.compliant is None
    assert "within the sensor's error of 0.5 K" in guard.why
    assert guard.reasons[0].threshold == 4.5


def test_the_air_clock_has_no_second_line():
    settings = with_error(0.5)
    warm = readings(*([9] * 60))
    assert len(air_clock(warm, limits_of(settings).limits, terms(warm)).limits) == 1


def test_vulnerable_guests_are_told_to_discard_where_others_hold():
    (found,) = judged(with_error(None, vulnerable_guests=True), product=readings(*([9] * 121)), as_of_min=120)
    assert found.verdict is Verdict.DISCARD_ADVISED
    (found,) = judged(with_error(None), product=readings(*([9] * 121)), as_of_min=120)
    assert found.verdict is Verdict.HOLD


def test_minutes_the_law_allows_on_the_road_are_within_it_until_they_are_over():
    settings = UnitSettings.of(
        Unit(
            id="camp-ice",
            kind="freezer",
            food=Food(classes=("frozen_other",), rules=("eu-quick-frozen-89-108",)),
            sensor=Sensor(position="product"),
            supply={"kind": "mains"},
        ),
        site=Site(id="abc", name="A", kind="trailer"),
    )
    for minutes, compliant, verdict in ((59, "yes", Verdict.WATCH), (61, "no", Verdict.HOLD)):
        found = judged(settings, product=readings(*([-16] * (minutes + 1))), as_of_min=minutes)
        line = next(e for e in found if e.limit_c == -18.0)
        assert (line.compliant, line.verdict) == (compliant, verdict)
        assert ("within the 60 min that this rule allows" in line.why) == (compliant == "yes")


def test_every_entry_with_a_verdict_shows_what_it_rests_on():
    settings = unit(classes=("cooked",))
    warm = readings(*([9] * 130))
    (found,) = judged(settings, cabinet=warm, as_of_min=129)
    assert [r.unit for r in found.reasons] == ["°C", "min", "min", "min"]
    air = air_clock(warm, (*limits_of(settings).limits, *marks_of(unit("freezer"))), terms(warm))
    shown = cabinet_entries(air, settings, as_of_ms=MIDNIGHT_MS + 129 * MINUTE_MS, marks=5)
    assert shown[0].reasons[-1].value == 129.0
    assert all(entry.reasons == () for entry in shown[1:])


def test_a_probe_that_only_raises_is_not_compared_with_unknown_time():
    cabinet = readings(*([3] * 400))
    found = judged(unit(), cabinet=cabinet, product=readings(3, 3), as_of_min=399)
    assert not any(r.quantity == "minutes unknown" for r in found[1].reasons)


def test_the_headline_is_the_worst_verdict_with_its_reason():
    found = judged(unit(classes=("cooked",)), cabinet=readings(*([9] * 300)), as_of_min=299)
    verdict, words = headline(found)
    assert verdict is Verdict.DISCARD_ADVISED
    assert words == "Food modelled from cabinet air above 5 °C for 299 min (za-r638-2018)"
    assert headline([]) == (Verdict.NO_DATA, "nothing to judge")
