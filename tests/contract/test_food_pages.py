"""The cook's forms without a browser, over real records judged by the real monitor."""

import html

import httpx
import pytest

from services.domain import BatchNew, Verdict
from services.monitor.worker import Monitor
from services.timebase import HOUR_MS
from tests.helpers.larder import NOW_MS, app_of, fleet, open_judged_larder
from tests.helpers.web import serving


class Clock:
    """A clock a test moves on."""

    now_ms = NOW_MS

    def __call__(self) -> int:
        return self.now_ms


@pytest.fixture(scope="module")
def kept(tmp_path_factory):
    larder = open_judged_larder(tmp_path_factory.mktemp("larder"))
    clock = Clock()
    with serving(app_of(larder, clock)) as base, httpx.Client(base_url=base, timeout=10) as client:
        yield larder, client, clock
    larder.close()


def test_a_finger_that_taps_twice_puts_food_in_once(kept):
    larder, client, clock = kept
    form = {"unit": "v3-veg", "person": "Jonas K.", "template": "Whole chicken"}
    first = client.post("/camp/vehicle-3/add", data=form)
    clock.now_ms += 1_500
    assert client.post("/camp/vehicle-3/add", data=form).headers["location"] == first.headers["location"]
    other = client.post("/camp/vehicle-3/add", data={**form, "person": "Thandi M."})
    assert other.headers["location"] != first.headers["location"]
    clock.now_ms += 10_000
    assert client.post("/camp/vehicle-3/add", data=form).headers["location"] != first.headers["location"]
    assert len(larder.records.batch_cards(unit="v3-veg")) == 3


def test_food_nobody_can_place_is_still_told_of(kept):
    larder, client, _ = kept
    lost = BatchNew(what="Lost lamb", food_class="red_meat", unit="camp-new")
    number = larder.records.load_batch(lost, who="Jonas K.", now_ms=NOW_MS)
    assert "Lost lamb" not in client.get("/camp/vehicle-3").text
    left = tuple(unit for unit in fleet().units if unit.id != "camp-new")
    larder.records.apply_fleet(
        fleet().model_copy(update={"units": left}), who="operator", now_ms=NOW_MS + 1_000
    )
    for site in ("vehicle-3", "river-camp"):
        page = client.get(f"/camp/{site}/food").text
        assert page.index("Do not cook or serve") < page.index("Lost lamb")
    assert client.get(f"/batches/{number}").status_code == 200


@pytest.fixture(scope="module")
def warmed(tmp_path_factory):
    """Yield a freezer that stood four degrees below zero for eight hours with food in it, judged."""
    found = open_judged_larder(
        tmp_path_factory.mktemp("warmed"), freezer_c=lambda ago_h: -4.0 if ago_h < 8 else -20.0
    )
    for what, food_class in (("Kudu loin", "frozen_other"), ("Bream", "frozen_fish"), ("Ices", "ice_cream")):
        new = BatchNew(what=what, food_class=food_class, unit="camp-fish", quantity=4.0)
        found.records.load_batch(new, who="Jonas K.", now_ms=NOW_MS - 30 * HOUR_MS)
    looked = {"probe_c": -5.0, "ice": True}
    found.records.say_of_batch(1, "probed", who="Jonas K.", body=looked, now_ms=NOW_MS - HOUR_MS // 4)
    monitor = Monitor(found.reader, found.records)
    for _ in range(200):
        if not monitor.step(NOW_MS).more:
            break
    with serving(app_of(found)) as base, httpx.Client(base_url=base, timeout=10) as client:
        yield found, client
    found.close()


@pytest.mark.parametrize("number", [1, 2, 3])
def test_a_page_of_food_that_warmed_is_still_small_and_tells_every_text(warmed, number):
    larder, client = warmed
    card = larder.records.batch_card(number)
    assert card.standing is Verdict.HOLD
    assert {answer.question for answer in card.answers} == {"keep", "freeze_again", "sell_as_frozen"}
    answer = client.get(f"/batches/{number}", headers={"accept-encoding": "gzip"})
    assert int(answer.headers["content-length"]) < 6_000, "with every text's answers and every form"
    page = html.unescape(answer.text)
    for said in card.answers:
        assert said.source[1:] in page
    for clock in card.clocks:
        assert all(reason.source in page for reason in clock.reasons)
    assert "Cooling down after cooking" not in page, "nothing frozen comes from the fire"
    assert "ooking does not mend it" not in page, "it never thawed: one text lets it be cooked"
