"""Worked cases of published food rules; each expected number follows from the rule named beside it.

"Derived" means: computed by hand from the rule's text with straight lines between readings, no gap
limit unless the case is about gaps.
"""

import math

import numpy as np
import pytest

from services.analytics.assess import assess
from services.domain import Verdict
from services.telemetry import Series
from tests.helpers.logs import MIDNIGHT_MS, MINUTE_MS, NO_GAP_LIMIT_S, entry, log, unit

pytestmark = pytest.mark.outside

FOOD_CODE = "US FDA Food Code 2022, 3-501.16(A) (wording from memory; 5 °C seen in state adoptions)"
FSANZ = "FSANZ 2-hour/4-hour rule, Standard 3.2.2"
R638 = "South Africa R638 of 22 June 2018, Annexure E"
EU = "Regulation (EC) 853/2004, Annex III Section V Chapter III 2(c)"
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
