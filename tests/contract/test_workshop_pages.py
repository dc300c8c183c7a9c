"""The workshop's pages and sheets, asked over real HTTP of units whose days the real monitor worked out."""

import csv
import html
import io
import re

import httpx
import orjson
import pytest
from pypdf import PdfReader

from services.domain import Analysis, Bench
from services.timebase import DAY_MS, iso_of
from tests.helpers.bench_house import open_bench
from tests.helpers.larder import NOW_MS, app_of
from tests.helpers.web import serving

PAGES = (
    "/workshop",
    "/workshop/units/v3-meat",
    "/workshop/units/camp-plain",
    "/workshop/units/camp-fish",
    "/workshop/units/v3-meat/sheet",
    "/workshop/battery",
)


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    larder = open_bench(tmp_path_factory.mktemp("bench"), days=2.0)
    with (
        serving(app_of(larder)) as base,
        httpx.Client(base_url=base, timeout=60, headers={"accept": "text/html"}) as client,
    ):
        yield larder, client
    larder.close()


@pytest.fixture(scope="module")
def sheet(bench):
    answer = bench[1].get("/workshop/units/v3-meat/sheet.pdf")
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "application/pdf"
    return answer.content


def seen(page):
    bare = re.sub(r"<(style|script)\b.*?</\1>|<[^>]+>", " ", page, flags=re.DOTALL)
    return re.sub(r"\s+", " ", html.unescape(bare))


def words_of(content):
    return re.sub(r"\s+", " ", " ".join(page.extract_text() for page in PdfReader(io.BytesIO(content)).pages))


@pytest.mark.parametrize("page", PAGES)
def test_no_page_promises_anything_or_asks_for_anything_outside(bench, page):
    answer = bench[1].get(page)
    assert answer.status_code == 200
    assert not re.search(r"\bsafe", answer.text, re.IGNORECASE)
    assert not re.search(r"(?:https?:)?//[a-z0-9]", answer.text)
    assert not re.search(r'\son[a-z]+="|javascript:|style="', answer.text), "the policy would refuse it"


def test_the_due_list_tells_what_was_found_on_what_it_rests_and_what_to_check(bench):
    words = seen(bench[1].get("/workshop").text)
    urgent, later = words.split("Can wait for the next service")
    assert "Supply path resistance high" in later
    assert "Cabinet never reaches its set point" in urgent
    assert re.search(r"source resistance, median over compressor stops: 0\.2\d+ Ω > 0\.16\d Ω", later)
    assert "joints and battery" in later
    assert "Check: Measure the drop from battery to unit" in later
    assert re.search(r"Run hours \? \d+\.\d h of 4\d\.\d h seen", later)
    assert "2 of 4 units have something to look at" in words


def test_the_list_is_narrowed_without_a_script(bench):
    _, client = bench
    battery = seen(client.get("/workshop?work=cooling").text)
    assert "Cabinet never reaches its set point" in battery
    assert "Supply path resistance high" not in battery
    place = seen(client.get("/workshop?place=vehicle-3&kind=fridge").text)
    assert "Supply path resistance high" in place
    assert "Cabinet never reaches" not in place
    nothing = seen(client.get("/workshop?place=vehicle-3&work=sensor").text)
    assert "Nothing to look at" in nothing


def test_the_numbers_of_the_list_are_those_of_the_interface(bench):
    larder, client = bench
    told = Bench.model_validate(client.get("/api/v1/units/v3-meat").json()["bench"])
    assert told == Bench.of(Analysis.model_validate(larder.records.analysis("v3-meat")))
    words = seen(client.get("/workshop/units/v3-meat").text)
    assert f"{told.hours_run:.1f} h of {told.hours_seen:.1f} h seen" in words
    assert f"{told.source_ohm * 1000:.0f} mΩ, a sound one {told.expected_ohm * 1000:.0f} mΩ" in words


def test_a_unit_with_few_channels_says_what_cannot_be_known_of_it(bench):
    words = seen(bench[1].get("/workshop/units/camp-plain").text)
    assert "Measured on this unit: Cabinet." in words
    assert "No compressor state: run hours, starts, cut-outs and source resistance are not known" in words
    assert "Not measured on this unit: no compressor state was heard." in words
    assert "Not known of this unit: No compressor state in these samples" in words
    assert "71 mΩ by cable, joints and battery" in words


def test_the_evidence_shows_days_wires_and_records(bench):
    words = seen(bench[1].get("/workshop/units/v3-meat").text)
    assert "v3-aux: lead, AGM, 12 V, 100 Ah, installed 2025-09-01; feeds 1 unit" in words
    assert "5.0 m one way, 6 mm²" in words
    assert "ISO 10133" in words
    assert re.search(r"2026-03-03 \d\.\d / 24\.0 h \d+ % \d+", words)
    assert "in melting ice the sensor (cabinet) read 0.3 °C" in words
    assert "Type K40, no. 0147" in words


def test_the_chart_holds_every_row_of_evidence(bench):
    span = httpx.QueryParams({"from": iso_of(NOW_MS - 8 * DAY_MS), "to": iso_of(NOW_MS)})
    answer = bench[1].get(f"/workshop/units/v3-meat/figure.json?{span}")
    drawn = orjson.loads(answer.content)
    names = {trace["name"] for trace in drawn["data"]}
    assert {"Cabinet", "Battery, at the unit", "Single stops", "Middle of the day"} <= names
    assert {"Share of time running", "Starts an hour"} <= names
    night = orjson.loads(bench[1].get(f"/workshop/units/v3-meat/figure.json?{span}&theme=night").content)
    assert night["layout"]["paper_bgcolor"] != drawn["layout"]["paper_bgcolor"]


def test_a_unit_nobody_added_has_no_page_and_no_sheet(bench):
    for page in ("", "/sheet", "/sheet.pdf"):
        assert bench[1].get(f"/workshop/units/camp-none{page}").status_code == 404
    assert bench[1].get("/workshop/units/v3-meat?span=9y").status_code == 404


def test_the_printed_job_names_unit_finding_time_and_cautions(sheet):
    words = words_of(sheet)
    assert "Job sheet: Meat chest" in words
    assert "Printed 2026-03-04 17:05 UTC+02:00" in words
    assert "Supply path resistance high" in words
    assert re.search(r"0\.2\d+ Ω > 0\.16\d Ω", words)
    assert "Measure the drop from battery to unit" in words
    for caution in ("Refrigerant is under pressure", "some kinds burn", "isolate it first", "Local codes"):
        assert caution in words
    for blank in ("Before", "After", "Part", "Technician", "Signature"):
        assert blank in words
    assert "v3-meat" in words
    assert not re.search(r"\bsafe\b", words.lower())


def test_the_same_job_gives_the_same_bytes(bench, sheet):
    assert bench[1].get("/workshop/units/v3-meat/sheet.pdf").content == sheet


def test_words_of_a_fleet_file_stay_words_on_paper(bench):
    larder, client = bench
    fleet = larder.records.fleet()
    units = tuple(
        u.model_copy(update={"plate": '<img src="file:///etc/hostname"> K40'}) if u.id == "camp-veg" else u
        for u in fleet.units
    )
    larder.records.apply_fleet(fleet.model_copy(update={"units": units}), who="operator", now_ms=NOW_MS)
    assert '<img src="file:///etc/hostname"> K40' in words_of(
        client.get("/workshop/units/camp-veg/sheet.pdf").content
    )


def test_the_battery_table_is_the_same_on_screen_on_paper_and_as_rows(bench):
    _, client = bench
    answer = client.get("/workshop/battery.csv")
    rows = list(csv.DictReader(io.StringIO(answer.content.decode("utf-8-sig"))))
    assert [row["Unit"] for row in rows] == [
        "Plain fridge (camp-plain)",
        "Salad drawer (camp-veg)",
        "Fish freezer (camp-fish)",
        "Meat chest (v3-meat)",
    ]
    meat = rows[-1]
    assert (meat["Bank"], meat["Kind"], meat["Label, Ah"], meat["Cable"]) == (
        "v3-aux", "lead, AGM", "100", "5.0 m one way, 6 mm²",
    )  # fmt: skip
    assert rows[0]["Resistance to the battery"] == "not measured"
    paper = words_of(client.get("/workshop/battery.pdf").content)
    screen = seen(client.get("/workshop/battery").text)
    for cell in (meat["Resistance to the battery"], meat["A sound one"], meat["Lost at running current"]):
        assert cell.endswith(("mΩ", "%"))
        assert cell in paper
        assert cell in screen
    assert "ISO 10133" in paper
