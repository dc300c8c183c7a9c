import pytest

from dashboards.pages.workshop import _job, _kept, _rest_view
from dashboards.pages.workshop_order import Asked, due_list, due_of, works_of
from services.domain import Bench, Evidence, Job, Quantiles, SensorFlag
from services.domain.planned import PlannedDue
from services.timebase import DAY_MS
from tests.helpers.larder import CUTOUT, FINDING, NOW_MS, card

LATER = FINDING.model_copy(update={"due": NOW_MS + 30 * DAY_MS})
FLAG = SensorFlag(channel="cabinet", flag="stuck", start=NOW_MS - DAY_MS, end=None)


def finding(name):
    return FINDING.model_copy(update={"finding": name, "due": None})


def planned(unit, due):
    return PlannedDue(
        unit=unit, rule="Gasket check", work="gasket", last=due - 180 * DAY_MS, last_from="job", due=due,
        by="days", used=175.0, every=180.0,
    )  # fmt: skip


def test_what_stands_still_comes_first_then_what_is_due_soon_then_what_cut_out_then_what_can_wait():
    queue = [
        card("v3-meat", cut_out_now=True, cutouts=(CUTOUT,)),
        card("v3-veg", service=(FINDING,)),
        card("camp-milk", cutouts=(CUTOUT,)),
        card("camp-fish", service=(LATER,)),
    ]
    found = due_list([queue[n] for n in (3, 1, 2, 0)], NOW_MS)
    assert [due.card for due in found] == queue
    assert [bool(due.reasons) for due in found] == [True, True, True, False]


def test_nothing_found_is_on_no_list():
    assert due_of(card(), NOW_MS) is None
    assert works_of(card()) == frozenset()


@pytest.mark.parametrize(
    ("changes", "works"),
    [
        ({"service": (finding("supply path resistance high"),)}, {"wiring"}),
        (
            {"service": (finding("battery falls fast"), finding("over-temperature stops"))},
            {"battery", "cooling"},
        ),
        ({"service": (finding("repeated cut-outs"),), "cutouts": (CUTOUT,)}, {"wiring"}),
        ({"service": (finding("something nobody has a name for"),)}, {"other"}),
        ({"cut_out_now": True}, {"other"}),
        ({"sensors": (FLAG,)}, {"sensor"}),
    ],
)
def test_every_unit_with_something_to_do_asks_for_some_kind_of_work(changes, works):
    assert works_of(card(**changes)) == works


def test_a_doubtful_cabinet_sensor_cannot_wait_and_one_that_is_over_is_nothing():
    assert due_of(card(sensors=(FLAG,)), NOW_MS).reasons == ("its cabinet sensor is not to be trusted",)
    assert due_of(card(sensors=(FLAG.model_copy(update={"end": NOW_MS}),)), NOW_MS) is None


def test_what_is_out_of_use_can_wait_unless_something_is_due():
    cut = {"cutouts": (CUTOUT,), "cut_out_now": True, "state": "off"}
    assert due_of(card(**cut), NOW_MS).reasons == ()
    assert due_of(card(**cut, service=(FINDING,)), NOW_MS).reasons[0].startswith("due ")


def test_a_cut_out_older_than_a_week_hurries_nobody():
    old = CUTOUT.model_copy(update={"start": NOW_MS - 8 * DAY_MS, "end": NOW_MS - 8 * DAY_MS + 1})
    assert due_of(card(cutouts=(old,)), NOW_MS).reasons == ()


def test_the_list_is_narrowed_by_place_kind_and_work():
    cards = [
        card("v3-meat", cutouts=(CUTOUT,)),
        card("v3-veg"),
        card("camp-fish", service=(finding("compressor hardly ever stops"),)),
    ]
    assert _kept(cards, "", "") == cards
    assert _kept(cards, "vehicle-3", "") == cards[:2]
    assert _kept(cards, "", "freezer") == cards[2:]
    assert _kept(cards, "river-camp", "fridge") == []


def test_jobs_and_service_that_comes_round_put_a_unit_on_the_list():
    job = Job(number=3, unit="v3-veg", work="gasket", reason="torn", opened=NOW_MS, opened_by="P", lines=())
    soon = planned("v3-meat", due=NOW_MS + 5 * DAY_MS)
    veg, meat = card("v3-veg"), card("v3-meat")
    asked = Asked({"v3-veg": [job]}, {"v3-meat": [soon]}, {})
    assert due_of(meat, NOW_MS, asked) is None, "it can wait: nobody said that the vehicle leaves"
    assert due_of(veg, NOW_MS, asked).works == {"gasket"}
    assert due_of(veg, NOW_MS, asked).reasons == ()
    leaving = Asked(asked.jobs, asked.planned, {"vehicle-3": NOW_MS + 6 * DAY_MS})
    assert due_of(meat, NOW_MS, leaving).reasons[0].startswith("service due before it leaves")
    assert due_of(veg, NOW_MS, leaving).reasons[0].startswith("an open job before it leaves")
    by = job.model_copy(update={"cold_by": NOW_MS + DAY_MS})
    assert due_of(veg, NOW_MS, Asked({"v3-veg": [by]}, {}, {})).reasons[0].startswith("job 3: cold by")


def test_a_job_shows_findings_with_their_evidence_and_says_how_many_cut_outs_it_leaves_out():
    row = Evidence(
        quantity="rebound", value=0.4, operator=">", threshold=0.1, unit="V", source="its own past"
    )
    found = FINDING.model_copy(update={"evidence": (row,)})
    job = _job(due_of(card(cutouts=(CUTOUT,) * 4, service=(found,)), NOW_MS), NOW_MS)
    assert job.findings[0].evidence == (("rebound", "0.4 V > 0.1 V", "its own past"),)
    assert job.cutouts[0].startswith("Cut out 12:05 to 15:05, at 10.79 V: wiring")
    assert "(probable)" in job.cutouts[0]
    assert (len(job.cutouts), job.more_cutouts) == (2, 2)


def test_numbers_stand_beside_each_unit_and_what_is_missing_says_why():
    bench = Bench(
        hours_seen=160.0, hours_run=40.04, starts=240, starts_per_hour=1.5, days_since_full=1.44,
        source_ohm=0.0812, expected_ohm=0.0551, drop_share=0.02,
        capacity_ah=None, capacity_ah_reason="no battery voltage in these samples",
    )  # fmt: skip
    view = _rest_view(card(bench=bench), NOW_MS)
    assert [fact.words for fact in view.facts] == [
        "40.0 h of 160.0 h seen",
        "240, 1.5 an hour",
        "1.4 days ago",
        "81 mΩ, a sound one 55 mΩ",
        "not measured on this unit: no battery voltage in these samples",
    ]
    assert [fact.known for fact in view.facts] == [True, True, True, True, False]
    full = bench.model_copy(update={"capacity_ah": Quantiles(p10=70, p50=78, p90=85)})
    assert _rest_view(card(bench=full), NOW_MS).facts[-1].words == "70 to 85 Ah, likely 78 Ah"
    assert [fact.words for fact in _rest_view(card(), NOW_MS).facts] == ["not worked out yet"]
