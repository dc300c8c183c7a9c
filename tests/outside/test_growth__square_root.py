"""Square-root growth models at published parameters, and a published whole-range table.

Parameters were read in a public copy of a model base (see `MODELS[...].source`). "Derived": computed by
hand from r = b²(T - Tmin)² at those parameters. These models order and explain; no authority accepts them
for release.
"""

import math

import numpy as np
import pytest

from services.analytics.food.growth import (
    ECOLI_BEEF,
    LISTERIA_HAM,
    LISTERIA_VEGETABLES,
    MODELS,
    PSEUDOMONAS_BROTH,
    PSEUDOMONAS_CARCASS,
    SNYDER_CURVE,
    growth,
)
from tests.helpers.histories import celsius, steps

pytestmark = pytest.mark.outside

SNYDER = [
    (30, 297.14),
    (35, 46.34),
    (40, 17.99),
    (41, 15.55),
    (45, 9.49),
    (50, 5.85),
    (60, 2.86),
    (70, 1.69),
    (80, 1.12),
    (90, 0.79),
    (100, 0.59),
    (110, 0.47),
    (115, 0.46),
    (120, 0.56),
]
"""O. P. Snyder, HITM 2001, hours per doubling by °F, drawn through the limits of the US Food Code (read in a
copy). Printed to 0.01 h."""


@pytest.mark.parametrize(
    ("name", "stretches", "log10"),
    [
        ("G-1, a day at 5 °C", [(24, 5)], 0.1223),
        ("G-1, the seven days of a date mark at 5 °C", [(168, 5)], 0.856),
        ("G-1, four days at 7.2 °C", [(96, 7.2)], 0.911),
        ("G-2, six hours at 4 °C and four at 15 °C", [(6, 4), (4, 15)], 0.1653),
    ],
)
def test_listeria_on_ham_after_mataragas_2006(name, stretches, log10):
    assert growth(LISTERIA_HAM, *steps(*stretches)) == pytest.approx(log10, abs=5e-4), name


def test_g2_the_warm_hours_are_most_of_it():
    """Derived: 0.1441 of 0.1653, 87 %."""
    both = growth(LISTERIA_HAM, *steps((6, 4), (4, 15)))
    assert growth(LISTERIA_HAM, *steps((4, 15))) / both == pytest.approx(0.87, abs=0.005)


def test_g3_nothing_grows_below_its_lowest_temperature():
    """Huang 2011, Tmin 4.10 °C: at 4.0 °C exactly nothing, not a squared negative number."""
    assert growth(ECOLI_BEEF, *steps((1000, 4.0))) == 0.0
    assert growth(ECOLI_BEEF, *steps((1000, -30.0))) == 0.0
    ten_hours = growth(ECOLI_BEEF, *steps((10, 10)))
    assert ten_hours == pytest.approx(0.456, abs=5e-4)
    assert ten_hours / math.log(10) == pytest.approx(0.198, abs=5e-4)


def test_g4_pseudomonas_against_its_rate_at_zero():
    """Neumeyer et al. 1997, Tmin -7.7 °C (derived from the ratio of squares)."""
    ratio = PSEUDOMONAS_BROTH.ratio(np.array([5.0, 10.0]), reference_c=0.0)
    assert ratio == pytest.approx([2.720, 5.284], abs=5e-4)


def test_two_published_pseudomonas_models_agree_within_a_tenth():
    """Neumeyer et al. 1997 in broth and Gill and Jones 1992 on pig carcasses, 0 to 15 °C."""
    at_c = np.linspace(0.0, 15.0, 31)
    broth, carcass = PSEUDOMONAS_BROTH.rate(at_c), PSEUDOMONAS_CARCASS.rate(at_c)
    assert np.max(np.abs(broth / carcass - 1.0)) < 0.10
    assert [broth[10], carcass[10]] == pytest.approx([0.181, 0.189], abs=5e-4)


def test_efsa_2020_at_its_own_reference():
    """EFSA 2020: 0.0117 log10 per hour at 5 °C is the parameter itself."""
    assert LISTERIA_VEGETABLES.rate(np.array([5.0]))[0] == pytest.approx(0.0117)


@pytest.mark.parametrize(("fahrenheit", "hours"), SNYDER)
def test_snyders_table_within_six_in_a_thousand(fahrenheit, hours):
    """The curve was fitted to all 20 rows with a largest error of 0.6 %; rows are rounded to 0.01 h."""
    rate = float(SNYDER_CURVE.rate(np.array([celsius(fahrenheit)]))[0])
    assert 1.0 / rate == pytest.approx(hours, rel=0.006, abs=0.006)


def test_g5_doublings_after_snyder():
    """24 h at 41 °F and 4 h at 70 °F: 24 / 15.55 and 4 / 1.69 from the printed rows, 3.910 together."""
    cold, warm = (24, celsius(41)), (4, celsius(70))
    assert growth(SNYDER_CURVE, *steps(cold)) == pytest.approx(1.543, abs=1e-3)
    assert growth(SNYDER_CURVE, *steps(warm)) == pytest.approx(2.367, abs=1e-3)
    assert growth(SNYDER_CURVE, *steps(cold, warm)) == pytest.approx(3.910, abs=2e-3)


def test_snyders_ten_doublings_come_where_he_says():
    """Ten doublings: 6.5 d at 41 °F and 16.9 h at 70 °F, printed beside the table."""
    assert 10 * 24 / growth(SNYDER_CURVE, *steps((24, celsius(41)))) / 24 == pytest.approx(6.5, abs=0.05)
    assert 10 / growth(SNYDER_CURVE, *steps((1, celsius(70)))) == pytest.approx(16.9, abs=0.05)


@pytest.mark.parametrize("model", MODELS, ids=lambda model: model.name)
def test_every_model_says_where_it_comes_from(model):
    assert model.source
    assert ("inferred" in model.source) is not model.unit_read
