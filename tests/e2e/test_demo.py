"""The demo as a stranger runs it: real broker, real processes, real browser, two weeks through MQTT."""

import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from datetime import datetime
from pathlib import Path
from types import SimpleNamespace

import psutil
import pytest

from tests.helpers.browser import DESK, PHONE, chromium, chromium_path, watched_page

pytestmark = [
    pytest.mark.browser,
    pytest.mark.integration,
    pytest.mark.skipif(chromium_path() is None, reason="no Chromium on this machine"),
]

ROOT = Path(__file__).resolve().parents[2]
SHOTS = ROOT / "build" / "screenshots"
DAY_MS = 86_400_000
ALL_BACK_WITHIN_S = 300
LIVE_AGE_S = 90


def _free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def _get(base, path):
    with urllib.request.urlopen(base + path, timeout=10) as answer:  # noqa: S310 - loopback, http
        return json.load(answer)


def _until(found, within_s, what):
    end = time.monotonic() + within_s
    while time.monotonic() < end:
        try:
            result = found()
        except (OSError, urllib.error.URLError, KeyError):
            result = None
        if result:
            return result
        time.sleep(0.5)
    raise AssertionError(f"not within {within_s} s: {what}")


def _start(data, port):
    with (data.parent / "demo.log").open("a") as log:
        return subprocess.Popen(
            [sys.executable, "-m", "deploy.cli", "demo", "--port", str(port), "--data", str(data)],
            cwd=ROOT,
            stdout=log,
            stderr=log,
            start_new_session=True,
        )


def _end(process):
    family = psutil.Process(process.pid).children(recursive=True)
    os.kill(process.pid, signal.SIGINT)
    code = process.wait(40)
    _, alive = psutil.wait_procs(family, timeout=10)
    for left in alive:
        left.kill()
    return code, alive


def _units(base):
    return {card["unit"]: card for card in _get(base, "/api/v1/units")["items"]}


def _stored_days(base, unit):
    """How many whole days of a unit can be read, counted in hours that hold a sample."""
    now = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime())
    then = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(time.time() - 15 * 86_400))
    body = _get(base, f"/api/v1/units/{unit}/samples?from={then}&to={now}&channels=cabinet_c&max_points=400")
    held = sum(1 for count in body["channels"]["cabinet_c"]["count"] if count)
    return held * body["bin_s"] / 86_400


def _settled(base):
    cards = _units(base)
    return (
        cards if len(cards) >= 12 and not any(card["backlog_expected"] for card in cards.values()) else None
    )


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    data = tmp_path_factory.mktemp("demo") / "data"
    port = _free_port()
    base = f"http://127.0.0.1:{port}"
    begun = time.monotonic()
    process = _start(data, port)
    try:
        _until(lambda: _get(base, "/api/v1/health"), 60, "the pages answer")
        _until(lambda: _stored_days(base, "v1-meat") >= 2, ALL_BACK_WITHIN_S, "two days can be read")
        two_days_s = time.monotonic() - begun
        _until(
            lambda: _stored_days(base, "lodge-dairy") >= 13.9, ALL_BACK_WITHIN_S, "a fortnight can be read"
        )
        cards = _until(lambda: _settled(base), ALL_BACK_WITHIN_S, "no backlog is outstanding")
        print(
            f"\ntwo days readable after {two_days_s:.0f} s, everything after {time.monotonic() - begun:.0f} s"
        )
        yield SimpleNamespace(base=base, data=data, port=port, process=process, cards=cards)
    finally:
        if process.poll() is None:
            _end(process)


def _shot(watched, name):
    SHOTS.mkdir(parents=True, exist_ok=True)
    watched.page.screenshot(path=SHOTS / f"{name}.png", full_page=True)


def test_at_least_twelve_units_at_six_sites_are_live(demo):
    cards = _units(demo.base).values()
    heard = [card for card in cards if card["observed_at"]]
    assert len(heard) >= 12
    assert len({card["site"] for card in heard}) >= 6
    ages = [time.time() - _epoch(card["observed_at"]) for card in heard]
    assert sorted(ages)[len(ages) // 2] < LIVE_AGE_S


def _epoch(iso):
    return datetime.fromisoformat(iso).timestamp()


def test_healthy_cabinets_end_the_fortnight_at_ok_and_the_bad_ones_do_not(demo):
    cards = _until(lambda: _settled(demo.base), 120, "no backlog is outstanding")
    computed = {unit: card["computed"] for unit, card in cards.items()}
    troubled = {"v2-meat", "reedpan-kitchen", "v3-larder", "v4-meat", "v4-frozen", "lodge-spare"}
    assert {
        unit: verdict for unit, verdict in computed.items() if unit not in troubled and verdict != "ok"
    } == {}
    assert computed["v2-meat"] in {"hold", "discard_advised"}
    assert computed["reedpan-kitchen"] in {"hold", "discard_advised"}
    assert computed["lodge-spare"] == "no_data"  # switched off and never heard: nothing is known of it
    standing = {unit: card["standing"] for unit, card in cards.items()}
    assert standing["v2-meat"] == "discard_advised"


def test_causes_are_told_apart(demo):
    causes = {
        unit: {cut["cause"] for cut in _get(demo.base, f"/api/v1/units/{unit}/cutouts")["items"]}
        for unit in ("v2-meat", "v3-larder", "v1-meat")
    }
    assert causes["v2-meat"]
    assert causes["v2-meat"] <= {"battery_weak", "battery_flat"}
    assert causes["v3-larder"] == {"wiring"}
    assert causes["v1-meat"] == set()


def test_the_vehicle_out_of_coverage_comes_home(demo):
    def home():
        card = _units(demo.base)["v4-meat"]
        return card if card["observed_at"] and time.time() - _epoch(card["observed_at"]) < 200 else None

    _until(home, 240, "vehicle 4 is heard again")
    _until(lambda: _stored_days(demo.base, "v4-meat") >= 13.9, 120, "its two days arrived")
    _until(lambda: _units(demo.base)["v4-meat"]["computed"] == "ok", 60, "its late data were judged")


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["1366x768", "360x740"])
def test_the_pages_show_the_bad_unit_the_cut_out_and_the_run_out(demo, size):
    with chromium() as browser:
        with watched_page(browser, size) as watched:
            page = watched.page
            page.goto(f"{demo.base}/fleet")
            rows = page.locator("main").inner_text()
            assert rows.index("Meat chest, vehicle 2") < rows.index("Lodge dairy fridge")
            assert "Discard advised" in rows
            assert "stopped now" in rows or "plan on" in rows
            assert re.search(r"plan on \d\d:\d\d", rows)
            assert page.evaluate("document.documentElement.scrollWidth") <= size[0]
            _shot(watched, f"demo-fleet-{size[0]}")
        with watched_page(browser, size) as watched:
            page = watched.page
            page.goto(f"{demo.base}/camp/vehicle-2")
            words = page.locator("body").inner_text()
            assert "Discard advised" in words
            assert "Do not cook" in words
            assert page.evaluate("document.documentElement.scrollWidth") <= size[0]
            _shot(watched, f"demo-camp-{size[0]}")
        with watched_page(browser, size) as watched:
            page = watched.page
            page.goto(f"{demo.base}/workshop")
            words = page.locator("main").inner_text()
            assert words.index("Meat chest, vehicle 2") < words.index("Lodge dairy fridge")
            assert "Cut out" in words
            assert "wiring" in words
            _shot(watched, f"demo-workshop-{size[0]}")
        with watched_page(browser, size) as watched:
            page = watched.page
            page.goto(f"{demo.base}/units/v2-meat")
            page.wait_for_selector(".js-plotly-plot .main-svg")
            assert "limit" in page.locator(".js-plotly-plot").inner_text()
            _shot(watched, f"demo-unit-{size[0]}")


def test_a_named_person_closes_a_hold_on_the_phone_page(demo):
    with chromium() as browser, watched_page(browser, PHONE, scripts=False) as watched:
        page = watched.page
        page.goto(f"{demo.base}/camp/reedpan-camp")
        assert "Hold" in page.locator("body").inner_text()
        form = page.locator("form", has_text="Close the hold").first
        page.locator("summary", has_text="Close the hold").first.click()
        form.locator("select").first.select_option(index=1)
        form.locator("input[name=probe_c]").fill("3,4")
        form.locator("select").nth(1).select_option("discarded")
        form.locator("input[name=reason], textarea[name=reason]").fill("lid stood ajar; thrown out")
        form.locator("button[type=submit], button").last.click()
    _until(
        lambda: _units(demo.base)["reedpan-kitchen"]["standing"] in {"ok", "watch", "no_data"},
        30,
        "the hold is closed",
    )
    said = _get(demo.base, "/api/v1/units/reedpan-kitchen")
    assert said["unit"] == "reedpan-kitchen"


def test_a_cook_adds_food_and_the_running_house_judges_it(demo):
    with chromium() as browser, watched_page(browser, PHONE, scripts=False) as watched:
        page = watched.page
        site = _units(demo.base)["lodge-dairy"]["site"]
        page.goto(f"{demo.base}/camp/{site}/add?unit=lodge-dairy")
        page.locator("[name=person]").select_option(index=1)
        page.locator("button[name=template]").first.click()
        page.wait_for_url(re.compile(r"/batches/\d+\?noted=loaded"))
        number = int(re.search(r"/batches/(\d+)", page.url)[1])

        def judged():
            card = _get(demo.base, f"/api/v1/batches/{number}")
            return card if card["clocks"] else None

        card = _until(judged, 60, "the batch is judged")
        assert card["standing"] in {"ok", "watch"}
        page.goto(f"{demo.base}/camp/{site}")
        assert card["batch"]["what"] in page.locator("section.ok").inner_text()
        _shot(watched, "demo-camp-food-360")
        page.goto(f"{demo.base}/batches/{number}")
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE[0]
        _shot(watched, "demo-batch-360")


def test_a_taken_port_is_named_and_nothing_is_left_running(demo, tmp_path):
    done = subprocess.run(
        [sys.executable, "-m", "deploy.cli", "demo", "--port", str(demo.port), "--data", str(tmp_path / "d")],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 2
    assert str(demo.port) in done.stderr
    assert "Traceback" not in done.stderr


def test_two_boxes_cannot_share_a_folder(demo):
    done = subprocess.run(
        [sys.executable, "-m", "deploy.cli", "run", "--port", str(_free_port()), "--data", str(demo.data)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 2
    assert "another Bushlarder" in done.stderr


def test_stopping_is_clean_and_starting_again_continues(demo):
    before = _stored_days(demo.base, "v1-meat")
    newest = _units(demo.base)["v1-meat"]["observed_at"]
    code, alive = _end(demo.process)
    assert code == 0
    assert alive == []
    again = _start(demo.data, demo.port)
    try:
        _until(lambda: _get(demo.base, "/api/v1/health"), 60, "the pages answer again")
        _until(lambda: _units(demo.base)["v1-meat"]["observed_at"] > newest, 120, "new samples arrive")
        assert _stored_days(demo.base, "v1-meat") >= before
        closed = _units(demo.base)["reedpan-kitchen"]["standing"]
        assert closed in {"ok", "watch", "no_data"}
    finally:
        code, alive = _end(again)
    assert code == 0
    assert alive == []
