"""Worked cases of date marks, core temperatures, spot checks and power-failure guidance."""

import math
from datetime import UTC, date, datetime

import numpy as np
import pytest

from services.analytics.food.answers import LADDER, batch_answers
from services.analytics.food.batches import judge_batch
from services.analytics.food.coretemps import core_to_reach
from services.analytics.food.datemark import batch_dates, last_day_of_use
from services.analytics.food.outage import after_outage, presumed_cold
from services.analytics.food.spotcheck import spot_check
from services.domain import CoreReading
from tests.helpers.batch_lives import NOON_MS, air, life, settings, wobble
from tests.helpers.logs import MIDNIGHT_MS, MINUTE_MS

pytestmark = pytest.mark.outside

DATE_MARK = "US FDA Food Code 2022, 3-501.17, read in Minnesota Rules 4626.0400"


def moment(day, hour=12):
    return round(datetime(day.year, day.month, day.day, hour, tzinfo=UTC).timestamp() * 1000)


def dates(day, **options):
    options = {"use_by": None, "opened_on": None, "frozen_spans": (), "ready_to_eat": True, **options}
    return batch_dates(zone=UTC, as_of_ms=moment(day), **options)


def test_fc_date_1_day_one_is_the_day_it_was_cooked():
    first = date(2026, 6, 1)
    assert last_day_of_use(first, ()) == (date(2026, 6, 7), 7), DATE_MARK
    assert dates(date(2026, 6, 7), opened_on=first).state == "last_day"
    assert dates(date(2026, 6, 8), opened_on=first).state == "past"


def test_fc_date_2_frozen_days_do_not_count():
    first, frozen = date(2026, 6, 1), [(date(2026, 6, 3), date(2026, 6, 20))]
    assert last_day_of_use(first, [(frozen[0][0], None)]) == (None, 3), DATE_MARK
    assert last_day_of_use(first, frozen)[0] == date(2026, 6, 23)
    spans = [(moment(frozen[0][0]), moment(frozen[0][1]))]
    found = dates(date(2026, 6, 20), opened_on=first, frozen_spans=spans)
    assert (found.last_day, found.days_left) == (date(2026, 6, 23), 3)


def test_fc_date_3_frozen_without_a_mark_has_24_hours_from_thawing():
    # Minnesota's poster to 3-501.17, read in a secondary copy.
    spans = [(moment(date(2026, 6, 3)), moment(date(2026, 6, 20)))]
    assert dates(date(2026, 6, 20), frozen_spans=spans).state == "last_day"
    assert dates(date(2026, 6, 21), frozen_spans=spans).state == "past"


@pytest.mark.parametrize(
    ("food_class", "printed_f"),
    [
        # US FDA Food Code 2022, 3-401.11(A), read in the adoptions of Minnesota and Wisconsin: 145 °F
        # fish and whole cuts, 155 °F minced, 165 °F poultry and wild game; 3-403.11(A), Delaware: 165 °F.
        ("fish", 145),
        ("red_meat", 145),
        ("mince", 155),
        ("poultry", 165),
        ("game", 165),
        ("cooked", 165),
    ],
)
def test_core_temperatures_are_the_printed_ones_and_never_below(food_class, printed_f):
    exact_c = (printed_f - 32) / 1.8
    core_c = core_to_reach(food_class).core_c
    assert exact_c <= core_c <= math.ceil(exact_c)


def sellable(core_c, surface_c=None, food_class="red_meat"):
    (found,) = spot_check(("za-r638-2018",), (food_class,), CoreReading(MIDNIGHT_MS, core_c, surface_c))
    return found.compliant


def test_za_1_core_and_surface():
    # South Africa R638 of 2018, regulation 8(4)(a)(ii) and Annexure E, read in a copy.
    assert sellable(5.0, 6.9) == "yes"
    assert sellable(5.0, 7.0) == "yes"
    assert sellable(5.0, 7.1) == "no"
    assert sellable(5.1) == "no"


@pytest.mark.parametrize(
    ("core_c", "food_class", "answer"),
    [(-12.0, "frozen_other", "yes"), (-11.9, "frozen_other", "no"), (-15.0, "frozen_fish", "no")],
)
def test_za_3_frozen_food_by_its_class(core_c, food_class, answer):
    assert sellable(core_c, food_class=food_class) == answer


def test_us_1_the_two_texts_disagree_and_both_are_shown():
    # 130.4 min above 40 °F (derived): FSIS charts 2 h, another US text 4 h, both in secondary copies.
    acted_on, other = after_outage(130.4)
    assert (acted_on.answer, other.answer) == ("no", "yes")
    assert "discard" in acted_on.why
    assert after_outage(130.4, what="hard cheese")[0].answer == "yes"


@pytest.mark.parametrize(("hours", "presumed"), [(47, True), (48, False), (49, False)])
def test_us_3_a_full_freezer_without_data_is_presumed_frozen_for_48_hours(hours, presumed):
    # USDA FSIS, food in a power outage, read in secondary copies.
    found = presumed_cold(
        "freezer", silent_ms=hours * 60 * MINUTE_MS, full=True, volume_l=300, moving=False, ambient_c=22
    )
    assert found.answer == ("unknown" if presumed else "no")
    assert "probe" in found.why


def test_us_4_food_that_warmed_to_minus_1_may_be_frozen_again_but_not_sold_as_frozen():
    # USDA FSIS refreezing (secondary copies); R638 Annexure E, -12 °C (read in a copy). The batch is followed
    # through a freezer whose air takes it from -18 to -1 °C in 2000 min, as the case says.
    minutes = np.arange(0.0, 2001.0)
    air_c = np.interp(minutes, [0, 1800, 2000], [-18, -4, -1])
    story = life(food_class="frozen_other", what="Venison", frozen=True, core_c=-18.0, piece_kg=0.3)
    cabinet = air(minutes, wobble(minutes, air_c), of=settings(kind="freezer"))
    judged = judge_batch(story, {"box-a": cabinet}, as_of_ms=NOON_MS + 2000 * MINUTE_MS)
    assert judged.warmth.over_40f_min == 0.0
    found = batch_answers(
        story, judged, verdict=judged.verdict, why=judged.why, stopped_min=0.0, presumed=None
    )
    texts = {a.question: a for a in found if a.source != LADDER}
    assert texts["sell_as_frozen"].answer == "no"
    assert "R638" in texts["sell_as_frozen"].source
    assert texts["freeze_again"].answer == "yes"
    assert "quality" in texts["freeze_again"].why
    assert "person decides" in texts["freeze_again"].why
