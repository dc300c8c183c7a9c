"""What a phone is told to keep, and PINs shown afterwards, over the real application."""

import pytest

from services.api.passwords import Passwords
from services.domain import BatchNew
from services.records.kept import Kept
from tests.helpers.guarded import CHEAP, PASSWORD, Guarded
from tests.helpers.larder import NOW_MS, open_larder

pytestmark = pytest.mark.anyio
CAMP, KEY = "/camp/river-camp", "0123456789abcdef"
JSON = {"accept": "application/json"}


@pytest.fixture(scope="module")
def guarded(tmp_path_factory):
    larder = open_larder(tmp_path_factory.mktemp("offline"))
    found = Guarded(larder)
    found.records.load_batch(
        BatchNew(what="Trout", food_class="fish", unit="camp-fish"), who="Jonas K.", now_ms=NOW_MS
    )
    yield found
    larder.close()


async def test_the_kit_names_the_pages_of_one_camp_and_every_one_of_them_answers(guarded):
    async with guarded.come_in("cook") as browser:
        kit = (await browser.get(f"/offline/kit?at={CAMP}/food")).json()
        assert {CAMP, f"{CAMP}/check", f"{CAMP}/add", "/offline", "/batches/1"} <= set(kit["pages"])
        for path in (*kit["pages"], *kit["files"]):
            assert (await browser.get(path)).status_code == 200, path
        worker = await browser.get(kit["worker"])
        assert worker.headers["service-worker-allowed"] == "/"
        assert (await browser.get("/offline/kit?at=/camp/vehicle-3")).json()["pages"] == []
        assert (kit["pins"], kit["now_ms"]) == ([], NOW_MS)


async def test_a_word_with_a_key_is_answered_where_to_go_on_and_the_second_time_that_it_stands(guarded):
    async with guarded.come_in("cook") as browser:
        said = {"unit": "camp-fish", "person": "Jonas K.", "kind": "probe", "probe_c": "-19,5"}
        headers = {**JSON, "idempotency-key": KEY, "said-on-phone": "said=1000, sent=61000"}
        first = await browser.post(f"{CAMP}/check", data=said, headers=headers)
        assert (first.status_code, first.headers["location"]) == (201, f"{CAMP}/check?noted=camp-fish")
        again = await browser.post(f"{CAMP}/check", data=said, headers=headers)
        assert (again.status_code, again.json()) == (200, {"written": "before"})
        refused = await browser.post(f"{CAMP}/check", data={**said, "probe_c": "warm"}, headers=headers)
        assert refused.status_code == 422
        assert "warm" in refused.json()["detail"]


async def test_without_a_session_a_kept_word_is_told_so_and_not_led_to_a_page(guarded):
    async with guarded.browser() as browser:
        headers = {**JSON, "idempotency-key": "a" * 32}
        answer = await browser.post(f"{CAMP}/check", data={}, headers=headers)
        assert answer.status_code == 401


async def test_a_pin_is_chosen_with_the_password_and_shown_at_a_device_only(guarded):
    async with guarded.come_in("cook") as browser:
        wrong = await browser.post("/account/pin", data={"password": "not this one", "pin": "2580"})
        assert wrong.status_code == 401
        chosen = await browser.post("/account/pin", data={"password": PASSWORD, "pin": "2580"})
        assert (chosen.status_code, chosen.headers["location"]) == (303, "/account?done=pin")
        elsewhere = await browser.post(
            "/kept/pin", data={"person": "Jonas K.", "pin": "2580", "key": KEY}, headers=JSON
        )
        assert elsewhere.status_code == 409
    code = guarded.records.device_code("Kitchen phone", None, who="Ada B.", now_ms=NOW_MS)
    secret = guarded.records.enrol(code, now_ms=NOW_MS)
    word = Kept("b" * 32, NOW_MS, NOW_MS, NOW_MS)
    door = guarded.records.signing("device").kept(word)
    door.say_signed("camp-milk", who="Jonas K.", note="", now_ms=NOW_MS)
    async with guarded.browser(cookie=f"bushlarder={secret}") as device:
        assert (await device.get("/offline/kit")).json()["pins"] == ["Jonas K."]
        said = {"person": "Jonas K.", "pin": "9999", "key": "b" * 32}
        assert (await device.post("/kept/pin", data=said, headers=JSON)).status_code == 403
        answer = await device.post("/kept/pin", data={**said, "pin": "2580"}, headers=JSON)
        assert answer.json() == {"verified": 1}
    assert guarded.records.statements("camp-milk")[0].signed == "pin"
    assert Passwords(CHEAP).fits("2580", guarded.records.pin_of("Jonas K."))
