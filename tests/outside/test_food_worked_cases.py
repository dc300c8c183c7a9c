"""Worked cases of published food rules; each expected number follows from the rule named beside it.

"Derived" means: computed by hand from the rule's text with straight lines between readings, no gap
limit unless the case is about gaps.
"""

import math
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from deploy.log_days import Ground
from deploy.reporting import regime_of, sheet_of
from services.analytics.assess import assess
from services.domain import Food, Sensor, Site, Unit, UnitSettings, Verdict
from services.telemetry import Series
from services.timebase import Span
from tests.helpers.logs import MIDNIGHT_MS, MINUTE_MS, NO_GAP_LIMIT_S, entry, log, unit

pytestmark = pytest.mark.outside

FOOD_CODE = "US FDA Food Code 2022, 3-501.16(A)(2), read in the adoptions of Delaware and Washington"
FSANZ = "FSANZ 2-hour/4-hour rule, Standard 3.2.2"
R638 = "South Africa R638 of 22 June 2018, Annexure E"
EU = "Regulation (EC) 853/2004, Annex III Section V Chapter III 2(c)"
ERITREA = "Eritrea, Legal Notice 67/2003 article 12, read in a secondary copy"
BOTSWANA = "Botswana, Meat Inspection Regulations 2007, 17th Schedule paragraph 2, read in a secondary copy"
QUICK_FROZEN = "eu-quick-frozen-89-108"
FSIS = "USDA FSIS refrigeration chart, perishables held above 40 °F for over 2 h"


def judged(points, settings, **options):
    series = log(points)
    options.setdefault("max_gap_s", NO_GAP_LIMIT_S)
    return assess(series, settings, as_of_ms=int(series.t_ms[-1]), offline=True, **options)


# name, source, rule, class, limit °C, points, minutes above (derived), compliant, verdict
CASES = [
    ("FC-CH-1", FOOD_CODE, "fda-food-code-2022", "cooked", 5, [(0, 4), (60, 5), (120, 5)], 0.0, "yes", None),
    ("FC-CH-2", FOOD_CODE, "fda-food-code-2022", "cooked", 5, [(0, 4), (60, 6), (120, 4)], 60.0, "no", None),
    (
        "AU-1",
        FSANZ,
        "fsanz-3.2.2",
        "cooked",
        5,
        [(0, 4), (10, 7), (70, 7), (80, 4)],
        10 * 2 / 3 + 60 + 10 * 2 / 3,
        "no",
        Verdict.WATCH,
    ),
    (
        "AU-2",
        FSANZ,
        "fsanz-3.2.2",
        "cooked",
        5,
        [(0, 4), (4, 8), (84, 8), (88, 4), (300, 4), (304, 8), (364, 8), (368, 4)],
        86.0 + 66.0,
        "no",
        Verdict.HOLD,
    ),
    ("AU-3", FSANZ, "fsanz-3.2.2", "cooked", 5, [(0, 8), (241, 8)], 241.0, "no", Verdict.DISCARD_ADVISED),
    ("ZA-2", R638, "za-r638-2018", "poultry", 4, [(0, 4), (30, 4.4)], 30.0, "no", Verdict.WATCH),
    ("EU-MIN", EU, "eu-853-2004", "mince", 2, [(0, 2), (60, 3), (120, 2)], 120.0, "no", Verdict.HOLD),
    ("EU-MIN under R638", R638, "za-r638-2018", "mince", 5, [(0, 2), (60, 3), (120, 2)], 0.0, "yes", None),
    (
        "ER-1",
        ERITREA,
        "er-67-2003",
        "fish",
        4,
        [(0, 2), (10, 6), (125, 6), (135, 2)],
        5 + 115 + 5,
        "no",
        Verdict.DISCARD_ADVISED,
    ),
    ("BW cuts", BOTSWANA, "bw-2007", "red_meat", 7, [(0, 7), (30, 7.0), (60, 8)], 30.0, "no", Verdict.WATCH),
    (
        "US-1",
        FSIS,
        "fsis",
        "milk",
        40 / 1.8 - 32 / 1.8,
        [(0, 3), (10, 6), (130, 6), (140, 3)],
        120 + 2 * 10 * (6 - 4.4444444444) / 3,
        "no",
        Verdict.DISCARD_ADVISED,
    ),
]


@pytest.mark.parametrize("case", CASES, ids=[case[0] for case in CASES])
def test_a_probe_log_gives_the_minutes_the_rule_gives(case):
    _, source, rule, food_class, limit_c, points, minutes, compliant, verdict = case
    settings = unit(classes=(food_class,), rules=(rule,), position="product")
    found = entry(judged(points, settings), basis="probe", limit_c=limit_c)
    assert math.isclose(found.minutes_above, minutes, abs_tol=1e-6), source
    assert found.minutes_unknown == 0.0
    assert found.compliant == compliant
    if verdict is not None:
        assert found.verdict is verdict


@pytest.mark.parametrize(
    ("kind", "food_class", "core_c", "compliant"),
    [
        ("fridge", "red_meat", 5.0, "yes"),
        ("fridge", "red_meat", 5.1, "no"),
        ("freezer", "frozen_other", -12.0, "yes"),
        ("freezer", "frozen_other", -11.9, "no"),
        ("freezer", "frozen_fish", -15.0, "no"),
    ],
)
def test_za_1_and_za_3_core_temperature_against_annexure_e(kind, food_class, core_c, compliant):
    # R638 Annexure E: other chilled +5, other frozen -12, frozen fish -18, "shall not exceed".
    settings = unit(kind, classes=(food_class,), position="product")
    analysis = judged([(0, core_c), (10, core_c)], settings)
    assert next(e for e in analysis.exposure if e.basis == "probe").compliant == compliant


@pytest.mark.parametrize(
    ("points", "above", "unknown", "verdict"),
    [
        # GAP-1: 120 min apart, both ends cold: nobody can tell, and nobody may call it fine.
        ([(0, 4), (10, 4), (130, 4.2), (140, 4.2)], 0.0, 120.0, Verdict.HOLD),
        # GAP-2: 5 min of the first line, then a gap with both ends above.
        ([(0, 4), (10, 6), (70, 6)], 65.0, 0.0, Verdict.WATCH),
        # GAP-3: the end at 8 °C counts, the way there does not.
        ([(0, 4), (10, 4), (100, 8), (110, 8)], 10.0, 90.0, Verdict.WATCH),
    ],
    ids=["GAP-1", "GAP-2", "GAP-3"],
)
def test_gaps_are_kept_apart_from_minutes_above(points, above, unknown, verdict):
    # This project's own decision (no document says); limit 5 °C, gap limit 15 min as in the case.
    settings = unit(classes=("cooked",), position="product")
    found = entry(judged(points, settings, max_gap_s=15 * 60), basis="probe")
    assert math.isclose(found.minutes_above, above, abs_tol=1e-6)
    assert math.isclose(found.minutes_unknown, unknown, abs_tol=1e-6)
    assert math.isclose(found.minutes_worst_case, above + unknown, abs_tol=1e-6)
    assert found.verdict is verdict


def test_rec_3_an_hour_without_data_is_reported_as_unknown_not_as_no_excursion():
    minutes = [m for m in range(24 * 60 + 1) if not 600 < m < 660]
    settings = unit(classes=("cooked",), interval_s=60)
    analysis = judged([(m, 3.0) for m in minutes], settings, max_gap_s=None)
    for basis in ("modelled_food", "cabinet"):
        found = entry(analysis, basis=basis)
        assert found.minutes_unknown == 60.0
        assert found.compliant == "unknown"
    assert analysis.verdict is not Verdict.OK


@pytest.mark.parametrize(
    ("rule", "air_c", "verdict"),
    [
        # USDA FSIS: never out of refrigeration for more than 1 h where the air is above 90 °F.
        ("fsis", 34.0, Verdict.DISCARD_ADVISED),
        ("fsis", 30.0, Verdict.WATCH),
        # This project's decision: hold at 60 min in such heat under every rule.
        ("za-r638-2018", 34.0, Verdict.HOLD),
        ("za-r638-2018", 30.0, Verdict.WATCH),
    ],
)
def test_us_2_meat_in_hot_air_for_65_minutes(rule, air_c, verdict):
    t_ms = MIDNIGHT_MS + np.arange(0, 66) * MINUTE_MS
    series = Series(t_ms, {"product_c": np.full(66, 9.0), "cabinet_c": np.full(66, air_c)})
    settings = unit(classes=("red_meat",), rules=(rule,), position="product", interval_s=60)
    found = entry(assess(series, settings, as_of_ms=int(t_ms[-1])), basis="probe")
    assert found.minutes_above == 65.0
    assert found.verdict is verdict


def test_ice_3_a_sensor_that_reads_low_is_corrected_and_condemns_what_it_hid():
    # Ice-point check (Hong Kong CFS: 0 ± 1 °C): reads -1.2 in ice; a constant 4.2 °C was 5.4 °C.
    settings = unit(classes=("cooked",), position="product", offset_c=-1.2)
    analysis = judged([(0, 4.2), (150, 4.2), (300, 4.2)], settings)
    found = entry(analysis, basis="probe")
    assert found.minutes_above == 300.0
    assert found.peak_c == 5.4
    assert analysis.verdict is Verdict.DISCARD_ADVISED


def test_ice_4_a_sensor_that_reads_high_clears_nothing():
    settings = unit(classes=("cooked",), position="product", offset_c=1.3)
    assert entry(judged([(0, 6.0), (300, 6.0)], settings), basis="probe").minutes_above == 300.0


@pytest.mark.parametrize(
    ("site_kind", "points", "above_18", "above_15", "compliant"),
    [
        # Directive 89/108/EEC article 5(1), read in a copy: in transport briefly not warmer than -15 °C.
        # "Brief" has no number: 60 min in all is this project's setting.
        ("vehicle", [(0, -18), (20, -15), (40, -18)], 40.0, 0.0, ("yes", "yes")),
        ("vehicle", [(0, -18), (20, -14), (40, -18)], 40.0, 10.0, ("yes", "no")),
        ("camp", [(0, -18), (20, -16), (40, -18)], 40.0, None, ("no", None)),
    ],
    ids=["EU-QF-1", "EU-QF-2", "EU-QF-3"],
)
def test_quick_frozen_food_on_the_road_and_at_rest(site_kind, points, above_18, above_15, compliant):
    settings = UnitSettings.of(
        Unit(
            id="camp-ice",
            kind="freezer",
            food=Food(classes=("frozen_other",), rules=(QUICK_FROZEN,)),
            sensor=Sensor(position="product"),
            supply={"kind": "mains"},
        ),
        site=Site(id="abc", name="A", kind=site_kind),
    )
    analysis = judged(points, settings)
    line = entry(analysis, basis="probe", limit_c=-18.0, rule=QUICK_FROZEN)
    assert math.isclose(line.minutes_above, above_18, abs_tol=1e-6)
    assert line.compliant == compliant[0]
    if above_15 is not None:
        brief = entry(analysis, basis="probe", limit_c=-15.0, rule=QUICK_FROZEN)
        assert math.isclose(brief.minutes_above, above_15, abs_tol=1e-6)
        assert brief.compliant == compliant[1]


def test_us_4_a_freezer_that_warmed_to_minus_1_broke_the_law_but_never_the_charts_limit():
    # R638 Annexure E: other frozen food -12 °C; USDA FSIS: 40 °F. Minutes are derived.
    settings = unit("freezer", classes=("frozen_other",), rules=("za-r638-2018", "fsis"), position="product")
    analysis = judged([(0, -18), (1800, -4), (2000, -1)], settings)
    assert entry(analysis, basis="probe", limit_c=-12.0).compliant == "no"
    assert entry(analysis, basis="probe", rule="fsis").minutes_above == 0.0
    assert entry(analysis, basis="probe", limit_c=-12.0).verdict is Verdict.HOLD


@pytest.mark.parametrize(("minutes", "compliant"), [(120, "yes"), (121, "no")])
def test_er_1_two_hours_above_4_degrees_are_allowed_and_no_minute_more(minutes, compliant):
    # Eritrea, Legal Notice 67/2003 article 12 (secondary copy): above 4 °C for no more than 2 h in all.
    settings = unit(classes=("fish",), rules=("er-67-2003",), position="product")
    points = [(m, 6.0) for m in (*range(0, minutes, 10), minutes)]
    assert entry(judged(points, settings), basis="probe").compliant == compliant


MEDICINE = {"classes": ("medicine",), "position": "product"}


@pytest.mark.parametrize(
    ("core_c", "minutes", "rule", "limit_c", "verdict"),
    [
        # WHO PQS E006, alarm of vaccine refrigerators: above +8 °C for 10 h (from memory), -0.5 °C or
        # less for 60 min (read in a secondary copy). This project adds the minutes up.
        (9.0, 599, "who-vaccine-alarm", 8.0, Verdict.WATCH),
        (9.0, 600, "who-vaccine-alarm", 8.0, Verdict.HOLD),
        (-0.5, 59, "who-vaccine-alarm", -0.5, Verdict.WATCH),
        (-0.5, 60, "who-vaccine-alarm", -0.5, Verdict.HOLD),
        (-0.499, 600, "who-vaccine-alarm", -0.5, Verdict.OK),
        # 2 to 8 °C as printed on labels (common practice, no source).
        (8.0, 600, "medicine-2-8", 8.0, Verdict.OK),
        (2.0, 600, "medicine-2-8", 2.0, Verdict.OK),
        (1.9, 60, "medicine-2-8", 2.0, Verdict.HOLD),
        (8.1, 60, "medicine-2-8", 8.0, Verdict.HOLD),
    ],
)
def test_medicine_is_held_on_both_sides(core_c, minutes, rule, limit_c, verdict):
    points = [(m, core_c) for m in (*range(0, minutes, 10), minutes)]
    found = entry(judged(points, unit(**MEDICINE)), basis="probe", limit_c=limit_c, rule=rule)
    assert found.verdict is verdict
    assert (found.compliant is None) == (rule == "who-vaccine-alarm")


def test_rec_4_a_limit_changed_on_the_way_keeps_both_with_their_times():
    # Codex CXC 1-1969 (HACCP, records; structure from memory): what was judged by has to stay readable.
    start, half, end = (MIDNIGHT_MS + hours * 60 * MINUTE_MS for hours in (0, 1, 2))
    before, after = (unit(classes=(held,), position="product") for held in ("cooked", "poultry"))
    regimes = (regime_of(before, Span(start, half)), regime_of(after, Span(half, end)))
    ground = Ground(log([(m, 4.5) for m in range(121)]), regimes, end, offline=True)
    made = sheet_of(ground, Span(start, end), ZoneInfo("UTC"), said=None, source="a worked case")
    kept = [(r.limits[0].limit_c, r.span.start_ms, r.span.end_ms) for r in made.regimes]
    assert kept == [(5.0, start, half), (4.0, half, end)]
    (day,) = made.days
    lines = [line for line in day.lines if line.exposure.basis == "probe" and line.exposure.rule]
    minutes = [(line.regime, line.exposure.limit_c, line.exposure.minutes_above) for line in lines]
    assert minutes == [(0, 5.0, 0.0), (1, 4.0, 120.0)]
    told = [passing for stretch in made.stretches for passing in stretch.passings]
    assert [(p.regime, p.limit_c, p.span.minutes) for p in told] == [(1, 4.0, 120.0)]


def test_eu_qf_2_minutes_above_each_frozen_mark_are_shown_apart():
    # Directive 89/108/EEC article 5: -18 °C, briefly not warmer than -15 °C in transport.
    settings = unit("freezer", classes=("frozen_other",))
    analysis = judged([(0, -18), (20, -14), (40, -18)], settings)
    assert math.isclose(
        entry(analysis, basis="cabinet", limit_c=-18, rule=None).minutes_above, 40, abs_tol=1e-6
    )
    assert math.isclose(
        entry(analysis, basis="cabinet", limit_c=-15, rule=None).minutes_above, 10, abs_tol=1e-6
    )
    assert entry(analysis, basis="cabinet", limit_c=0, rule=None).minutes_above == 0
    assert entry(analysis, basis="cabinet", limit_c=-18, rule=None).verdict is None
