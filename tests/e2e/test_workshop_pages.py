"""The workshop in a real browser: signs in, finds the worst unit, opens its evidence, prints its job."""

import io
import re

import pytest
from pypdf import PdfReader

from tests.helpers.bench_house import open_bench
from tests.helpers.browser import DESK, PHONE, chromium_path, watched_page
from tests.helpers.guarded import CREW, PASSWORD, Guarded
from tests.helpers.shots import SHOTS
from tests.helpers.web import serving

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(chromium_path() is None, reason="no Chromium on this machine"),
]

FINDING = "Supply path resistance high"


@pytest.fixture(scope="module")
def base(tmp_path_factory):
    larder = open_bench(tmp_path_factory.mktemp("bench"), days=1.8)
    with serving(Guarded(larder).app) as found:
        yield found
    larder.close()


def come_in(page, base):
    page.set_default_timeout(60_000)
    page.goto(f"{base}/login")
    page.fill("input[name=name]", CREW["workshop"][0])
    page.fill("input[name=password]", PASSWORD)
    page.locator("form[action='/login'] button").first.click()
    page.wait_for_url(f"{base}/workshop")


def test_the_workshop_signs_in_finds_the_finding_reads_its_evidence_and_prints_the_job(browser, base):
    with watched_page(browser, DESK) as watched:
        page = watched.page
        come_in(page, base)
        job = page.locator("article", has_text=FINDING)
        assert "Meat chest" in job.inner_text()
        assert "Vehicle 3" in job.inner_text()
        assert re.search(r"Check: Measure the drop", job.inner_text())
        job.get_by_role("link", name="Evidence").click()
        page.wait_for_selector("#chart .main-svg")
        words = page.locator("main").inner_text()
        for told in (FINDING, "0.2", "mΩ", "IEC 60228", "2026-03-03", "5.0 m one way"):
            assert told in words
        assert "Ω to the battery" in page.locator("#chart .y3title").text_content()
        assert page.evaluate("document.documentElement.scrollWidth") <= DESK[0]
        page.screenshot(path=SHOTS / "workshop-evidence.png", full_page=True)
        with page.expect_download() as coming:
            page.get_by_role("link", name="Job sheet as PDF").click()
        paper = PdfReader(io.BytesIO(coming.value.path().read_bytes()))
        printed = re.sub(r"\s+", " ", " ".join(each.extract_text() for each in paper.pages))
        assert coming.value.suggested_filename == "v3-meat_job_2026-03-04.pdf"
        for told in ("Job sheet: Meat chest", FINDING, "Printed 2026-03-04 17:05 UTC+02:00", "Signature"):
            assert told in printed


def test_on_a_phone_and_without_scripts_the_list_is_narrowed_and_the_sheet_is_read(browser, base):
    with watched_page(browser, PHONE, scripts=False) as watched:
        page = watched.page
        come_in(page, base)
        page.select_option("select[name=work]", "cooling")
        page.get_by_role("button", name="Show").click()
        words = page.locator("main").inner_text()
        assert "Cabinet never reaches its set point" in words
        assert FINDING not in words
        for path in (
            "/workshop",
            "/workshop/units/v3-meat",
            "/workshop/units/v3-meat/sheet",
            "/workshop/battery",
        ):
            page.goto(f"{base}{path}")
            assert page.evaluate("document.documentElement.scrollWidth") <= PHONE[0]
        page.goto(f"{base}/workshop/units/v3-meat/sheet")
        assert page.locator("figure svg").count() == 4
        assert "Job sheet: Meat chest" in page.inner_text("h1")


def test_the_workshop_opens_a_job_writes_into_it_closes_it_and_finds_it_in_the_calendar(browser, base):
    with watched_page(browser, DESK) as watched:
        page = watched.page
        come_in(page, base)
        page.locator("article", has_text=FINDING).get_by_role("link", name="Open a job").click()
        page.wait_for_url("**/workshop/jobs/new?unit=v3-meat")
        assert FINDING.lower() in page.input_value("input[name=reason]").lower()
        page.select_option("select[name=work]", "wiring")
        page.fill("textarea[name=parts]", "2 x fuse 15 A")
        page.fill("input[name=cold_by]", "2026-03-06T05:30")
        page.get_by_role("button", name="Open the job").click()
        page.wait_for_url("**/workshop/jobs/1")
        assert "cold by 2026-03-06 05:30" in page.locator("main").inner_text()
        page.goto(f"{base}/workshop/calendar")
        page.select_option("select[name=site]", "vehicle-3")
        page.fill("input[name=leaves]", "2026-03-06T06:00")
        page.get_by_role("button", name="Write it down").click()
        page.wait_for_url("**/workshop/calendar#vehicle-3")
        vehicle = page.locator("#vehicle-3")
        vehicle.get_by_role("link", name="Job 1: Wiring and settings").click()
        page.wait_for_url("**/workshop/jobs/1")
        note = page.locator("form[action$='/note']")
        note.locator("input[name=note]").fill("joint was green")
        note.get_by_role("button", name="Add the note").click()
        page.locator("#line-2", has_text="Joint was green.").wait_for()
        done = page.locator("form[action$='/close']")
        done.locator("select[name=outcome]").select_option("done")
        done.get_by_role("button", name="Close the job").click()
        page.locator(".headline", has_text="closed: done").wait_for()
        assert f"{CREW['workshop'][0]}, verified" in page.locator("main").inner_text()
        page.screenshot(path=SHOTS / "workshop-job.png", full_page=True)
        page.goto(f"{base}/workshop/calendar")
        with page.expect_download() as coming:
            page.get_by_role("link", name="As a calendar file").click()
        assert coming.value.path().read_bytes().count(b"BEGIN:VEVENT") >= 1
