import pytest

from dashboards.pages.lively import live_of
from tests.helpers.larder import analysis, app_of, fleet, open_larder


@pytest.fixture
def house(tmp_path):
    larder = open_larder(tmp_path)
    yield larder, app_of(larder).state.desk
    larder.close()


def test_a_page_counts_on_by_the_clock_of_its_place_and_says_which(house):
    larder, desk = house
    here = live_of(desk)
    assert (here.made, here.clock_min, here.clock_name) == ("2026-03-04 17:05 UTC+02:00", 120, "")
    vehicle, *rest = fleet().sites
    abroad = fleet().model_copy(
        update={"sites": (vehicle.model_copy(update={"timezone": "Asia/Kolkata"}), *rest)}
    )
    larder.records.apply_fleet(abroad, who="operator", now_ms=here.now_ms)
    both = live_of(desk)
    assert both.zones == ("UTC+02:00", "UTC+05:30")
    assert (both.made, both.clock_min, both.clock_name) == ("2026-03-04 15:05 UTC", 0, " UTC")
    one = live_of(desk, "v3-meat")
    assert (one.made, one.clock_min, one.clock_name) == ("2026-03-04 20:35 UTC+05:30", 330, "")


def test_a_page_begins_where_the_newest_change_was(house):
    larder, desk = house
    before = live_of(desk).change
    card = desk.card("v3-meat")
    larder.records.write_card(card.model_copy(update={"standing_why": "new"}), analysis(card))
    assert live_of(desk).change > before
