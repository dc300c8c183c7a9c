from dashboards.pages.workshop import _job, _order
from services.domain import Evidence
from services.timebase import DAY_MS
from tests.helpers.larder import CUTOUT, FINDING, NOW_MS, app_of, card, open_larder


def test_what_stands_still_comes_before_what_is_due_and_what_is_due_before_the_rest():
    soon = FINDING.model_copy(update={"due": NOW_MS + DAY_MS})
    queue = [
        card("v3-meat", cut_out_now=True),
        card("v3-veg", service=(soon,)),
        card("camp-milk", service=(FINDING,)),
        card("camp-fish", cutouts=(CUTOUT,)),
        card("camp-new"),
    ]
    assert sorted([queue[n] for n in (3, 1, 4, 0, 2)], key=_order) == queue


def test_a_job_shows_every_cut_out_with_its_evidence(tmp_path):
    row = Evidence(
        quantity="rebound", value=0.4, operator=">", threshold=0.1, unit="V", source="its own past"
    )
    larder = open_larder(tmp_path)
    desk = app_of(larder).state.desk
    job = _job(desk, card("v3-meat", cutouts=(CUTOUT.model_copy(update={"evidence": (row,)}),)), NOW_MS)
    larder.close()
    assert [cutout.evidence for cutout in job.cutouts] == [(("rebound", "0.4 V > 0.1 V", "its own past"),)]
    assert job.cutouts[0].words.startswith("Cut out 12:05 to 15:05, at 10.79 V: wiring")
