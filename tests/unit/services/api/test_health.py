import httpx
import pytest
from prometheus_client.parser import text_string_to_metric_families

from services.api.health import LATE_AFTER_MS, ODD_FOR_MS, troubles_of
from services.box import MB, Room
from services.ingest.figures import Figures
from services.pulse import Sign
from services.timebase import MINUTE_MS
from tests.helpers.larder import NOW_MS, app_of, beat, open_larder
from tests.helpers.web import serving

ROOMY = Room(free_bytes=1000 * MB, total_bytes=2000 * MB, reserve_bytes=100 * MB)
TIGHT = Room(free_bytes=150 * MB, total_bytes=2000 * MB, reserve_bytes=100 * MB)


@pytest.fixture
def larder(tmp_path):
    opened = open_larder(tmp_path)
    yield opened
    opened.close()


@pytest.fixture
def client(larder):
    with serving(app_of(larder)) as at, httpx.Client(base_url=at) as found:
        yield found


def signs(**said):
    return {
        name: Sign(name, NOW_MS - 1000, {"trouble": said.get(name)}) for name in ("ingest", "monitor", "web")
    }


def test_a_box_that_is_well_has_no_troubles():
    assert troubles_of(signs(), ROOMY, NOW_MS) == ()


def test_a_part_that_never_ran_or_fell_silent_is_down():
    assert [(each.part, each.down) for each in troubles_of({}, ROOMY, NOW_MS)] == [
        ("ingest", True),
        ("monitor", True),
    ]
    late = {**signs(), "monitor": Sign("monitor", NOW_MS - MINUTE_MS, {})}
    (found,) = troubles_of(late, ROOMY, NOW_MS)
    assert (found.part, found.down) == ("monitor", True)
    assert "verdicts" in found.words


def test_what_a_part_says_of_itself_is_told_and_the_disk_is_not_told_twice():
    found = troubles_of(signs(ingest="The disk is full: new readings are not taken."), TIGHT, NOW_MS)
    assert [(each.part, each.down) for each in found] == [("ingest", True)]
    assert "150 of 2000 MB are free" in found[0].advice


def test_a_disk_that_is_nearly_full_is_told_before_it_is():
    assert [(each.part, each.down) for each in troubles_of(signs(), TIGHT, NOW_MS)] == [("disk", False)]


def test_machines_are_answered_200_or_503_people_get_a_page(client, larder):
    well = client.get("/health")
    assert (well.status_code, well.headers["content-type"]) == (200, "application/json")
    assert well.json()["status"] == "ok"
    page = client.get("/health", headers={"accept": "text/html"})
    assert page.status_code == 200
    assert "Every part does what it is for" in page.text
    beat(larder.box.data, "monitor", NOW_MS - MINUTE_MS)
    ill = client.get("/health")
    assert ill.status_code == 503
    assert [each["part"] for each in ill.json()["troubles"]] == ["monitor"]
    page = client.get("/health", headers={"accept": "text/html"})
    assert page.status_code == 503
    assert "Nothing is judged" in page.text
    api = client.get("/api/v1/health")
    assert (api.status_code, api.json()["status"]) == (200, "degraded")


@pytest.mark.parametrize("path", ["/fleet", "/tonight", "/workshop", "/camp", "/units/v3-meat"])
def test_every_page_says_when_the_box_itself_needs_help(client, larder, path):
    assert "This box itself needs help" not in client.get(path, headers={"accept": "text/html"}).text
    beat(larder.box.data, "ingest", NOW_MS, trouble="The disk is full: new readings are not taken.")
    page = client.get(path, headers={"accept": "text/html"})
    assert page.status_code == 200
    assert "This box itself needs help" in page.text
    assert "The disk is full" in page.text


def metrics(client):
    answer = client.get("/metrics")
    assert answer.status_code == 200
    assert answer.headers["content-type"].startswith("text/plain")
    return {
        (sample.name, *sample.labels.values()): sample.value
        for family in text_string_to_metric_families(answer.text)
        for sample in family.samples
    }


def test_numbers_of_every_process_stand_in_one_place(client, larder):
    beat(
        larder.box.data,
        "ingest",
        NOW_MS,
        counted={"received": 70, "stored": 4200, "rejected": 3},
        commits=[1, 2, 0, 3],
        commit_bounds_s=[0.002, 0.005, 0.01],
        commit_sum_s=0.5,
        lag_ms=1500,
        queue=12,
        connected=True,
        trouble=None,
    )
    beat(larder.box.data, "monitor", NOW_MS - MINUTE_MS, judged=9, carried=7, behind=4, step_s=0.25)
    beat(larder.box.data, "notify", NOW_MS, told=8, sent=5, failed=2, given_up=1, waiting=2)
    found = metrics(client)
    counted = {name: found[(f"bushlarder_notify_{name}_total",)] for name in ("told", "sent", "failed")}
    assert counted == {"told": 8, "sent": 5, "failed": 2}
    assert found[("bushlarder_notify_given_up_total",)] == 1
    assert found[("bushlarder_notify_waiting",)] == 2
    assert found[("bushlarder_ingest_received_total",)] == 70
    assert found[("bushlarder_ingest_stored_total",)] == 4200
    assert found[("bushlarder_ingest_queue_messages",)] == 12
    assert found[("bushlarder_ingest_lag_seconds",)] == 1.5
    assert found[("bushlarder_ingest_commit_seconds_bucket", "0.002")] == 1
    assert found[("bushlarder_ingest_commit_seconds_bucket", "0.01")] == 3
    assert found[("bushlarder_ingest_commit_seconds_bucket", "+Inf")] == 6
    assert found[("bushlarder_ingest_commit_seconds_count",)] == 6
    assert found[("bushlarder_ingest_commit_seconds_sum",)] == 0.5
    assert found[("bushlarder_monitor_judged_total",)] == 9
    assert found[("bushlarder_monitor_carried_total",)] == 7
    assert found[("bushlarder_monitor_changes_behind",)] == 4
    assert found[("bushlarder_part_up", "ingest")] == 1
    assert found[("bushlarder_part_up", "monitor")] == 0
    assert found[("bushlarder_part_well", "monitor")] == 0
    assert found[("bushlarder_store_bytes", "telemetry")] > 0
    assert found[("bushlarder_units",)] == len(larder.records.fleet().units)
    standing = [value for key, value in found.items() if key[0] == "bushlarder_units_standing"]
    assert sum(standing) == len(larder.records.cards())
    assert found[("bushlarder_disk_free_bytes",)] > 0


def test_what_ingest_itself_says_is_all_told_and_read_by_the_parser_of_prometheus(client, larder):
    figures = Figures()
    for name in figures.counters:
        figures.counters[name] = len(name)
    figures.committed(0.004, lag_ms=250)
    figures.committed(0.3, lag_ms=750)
    figures.trouble = "The disk is full: new readings are not taken."
    beat(larder.box.data, "ingest", NOW_MS, **figures.said(queue=5, connected=True, moment_s=0.0))
    beat(larder.box.data, "monitor", NOW_MS)
    found = metrics(client)
    for name, count in figures.counters.items():
        assert found[(f"bushlarder_ingest_{name}_total",)] == count
    assert found[("bushlarder_ingest_queue_messages",)] == 5
    assert found[("bushlarder_ingest_lag_seconds",)] == 0.75
    assert found[("bushlarder_ingest_commit_seconds_bucket", "0.005")] == 1
    assert found[("bushlarder_ingest_commit_seconds_count",)] == 2
    assert found[("bushlarder_ingest_commit_seconds_sum",)] == 0.304
    assert found[("bushlarder_quarantine_rows",)] == larder.reader.quarantine_count()
    assert found[("bushlarder_store_bytes", "telemetry")] > 0
    assert found[("bushlarder_notices", "yes")] == 1
    assert found[("bushlarder_notices", "no")] == 0
    families = list(text_string_to_metric_families(client.get("/metrics").text))
    assert len({family.name for family in families}) == len(families)
    assert all(family.documentation and family.type != "unknown" for family in families)


def test_numbers_are_there_before_anything_ever_ran(client, larder):
    for file in (larder.box.data / "signs").iterdir():
        file.unlink()
    found = metrics(client)
    assert ("bushlarder_ingest_received_total",) not in found
    assert found[("bushlarder_quarantine_rows",)] == 0


def test_a_sign_from_before_the_clock_was_set_back_is_no_life():
    ahead = {**signs(), "ingest": Sign("ingest", NOW_MS + 5 * MINUTE_MS, {})}
    (found,) = troubles_of(ahead, ROOMY, NOW_MS)
    assert (found.part, found.down) == ("ingest", True)


def test_a_monitor_that_never_catches_up_is_told():
    def told(since_ms):
        busy = {**signs(), "monitor": Sign("monitor", NOW_MS, {"busy_since_ms": since_ms})}
        return troubles_of(busy, ROOMY, NOW_MS)

    assert told(None) == ()
    assert told(NOW_MS - LATE_AFTER_MS + 1) == ()
    (found,) = told(NOW_MS - LATE_AFTER_MS)
    assert (found.part, found.down) == ("monitor", False)
    assert "5 minutes" in found.words


def test_what_was_odd_at_the_broker_is_told_for_a_day_and_nothing_is_down_for_it(tmp_path, larder, client):
    for part in ("ingest", "monitor"):
        beat(tmp_path, part, NOW_MS)

    def told():
        answer = client.get("/health")
        assert answer.status_code == httpx.codes.OK
        return [each["words"] for each in answer.json()["troubles"]]

    def note(kind, about, t_ms):
        larder.records.note_event(kind, about, {}, who="ingest", now_ms=t_ms)

    note("logins_refused", "broker", NOW_MS - ODD_FOR_MS - 1)
    note("credential_issued", "v3-meat", NOW_MS)
    assert told() == []
    for t_ms in (NOW_MS - 2, NOW_MS - 1):
        note("unit_flooding", "v3-meat", t_ms)
    note("logins_refused", "broker", NOW_MS)
    stranger, flood = told()
    assert "wrong name or secret" in stranger
    assert flood.startswith("v3-meat sends more")
