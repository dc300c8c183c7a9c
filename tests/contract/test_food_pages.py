"""The cook's forms without a browser, over real records judged by the real monitor."""

import httpx
import pytest

from services.domain import BatchNew
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
