import pytest

from services.api.desk import CHARTED, Desk, NotAssessedError, UnknownUnitError
from services.api.schemas import Check, CommandAsked, Release
from services.domain import UnitCard, Verdict
from services.errors import Refused
from services.timebase import HOUR_MS, MINUTE_MS
from tests.helpers.larder import NOW_MS, analysis, beat, card, fleet, open_larder


@pytest.fixture
def larder(tmp_path):
    found = open_larder(tmp_path)
    yield found
    found.close()


@pytest.fixture
def desk(larder):
    return Desk(larder.records, larder.reader, lambda: NOW_MS, larder.box)


def test_a_unit_nobody_added_and_one_not_judged_yet_are_told_apart(desk):
    with pytest.raises(UnknownUnitError):
        desk.card("nobody")
    with pytest.raises(NotAssessedError):
        desk.card("camp-new")
    with pytest.raises(NotAssessedError):
        desk.analysis("camp-new")
    assert [unit.id for unit in desk.unassessed(desk.cards())] == ["camp-new"]


def test_sites_name_their_cabinets(desk):
    assert {site.id: site.units for site in desk.sites()} == {
        "vehicle-3": ("v3-meat", "v3-veg"),
        "river-camp": ("camp-fish", "camp-milk", "camp-new"),
    }


def test_samples_come_in_bins_and_a_gap_is_null(desk):
    start = NOW_MS - 24 * HOUR_MS
    found = desk.samples("v3-meat", start_ms=start, end_ms=NOW_MS, channels=["cabinet_c"], max_points=48)
    bins = found.channels["cabinet_c"]
    assert found.bin_s == 1800
    assert len(bins.t_ms) == 48
    assert bins.t_ms[0] == start
    assert sum(bins.count) == 1440 - 190
    assert [i for i, count in enumerate(bins.count) if count == 0] == [20, 21, 22, 23, 24, 25]
    assert all(bins.min[i] is None and bins.max[i] is None for i in (20, 25))


def test_without_channels_only_those_that_hold_readings_come(desk):
    found = desk.samples("v3-meat", start_ms=NOW_MS - HOUR_MS, end_ms=NOW_MS)
    assert set(found.channels) == {"cabinet_c", "battery_v", "compressor_on"}


def test_positions_are_never_among_the_samples():
    assert not CHARTED & {"lat_deg", "lon_deg"}


def test_a_hold_is_closed_by_a_known_person_only(desk, larder):
    release = Release(
        unit="v3-meat", person="Nobody", probe_c=3.4, disposition="discarded", reason="smelt of iron"
    )
    with pytest.raises(Refused):
        desk.close_hold(release)
    desk.close_hold(release.model_copy(update={"person": "Thandi M."}))
    assert larder.records.card("v3-meat").standing is Verdict.WATCH
    said = desk.statements("v3-meat")
    assert said[0].who == "Thandi M."
    assert said[0].body["probe_c"] == 3.4


def test_what_a_unit_is_used_for_is_written_down(desk, larder):
    desk.say_state("v3-veg", "Jonas K.", "empty")
    assert larder.records.card("v3-veg").state == "empty"
    with pytest.raises(UnknownUnitError):
        desk.say_state("nobody", "Jonas K.", "empty")


def test_a_check_needs_a_reading_or_a_note(desk):
    desk.write_check(Check(unit="v3-veg", person="Jonas K.", probe_c=0.0))
    desk.write_check(Check(unit="v3-veg", person="Jonas K.", note="lid was open"))
    with pytest.raises(Refused):
        desk.write_check(Check(unit="v3-veg", person="Jonas K."))
    kinds = [(said.kind, said.body.get("probe_c")) for said in desk.statements("v3-veg")]
    assert kinds == [("note", None), ("probe", 0.0)]


@pytest.mark.parametrize(
    ("cabinet_c", "battery_v", "goes"),
    [(2.9, 12.6, True), (3.1, 12.6, False), (None, 12.6, False), (2.9, 12.4, False), (2.9, None, False)],
)
def test_a_reboot_waits_for_a_cold_cabinet_and_a_charged_battery(desk, larder, cabinet_c, battery_v, goes):
    latest = {k: v for k, v in (("cabinet_c", cabinet_c), ("battery_v", battery_v)) if v is not None}
    fresh = card("v3-meat", latest=latest)
    larder.records.write_card(fresh, analysis(fresh))
    asked = CommandAsked(unit="v3-meat", person="Thandi M.", command="reboot")
    if goes:
        desk.ask(asked)
        assert larder.records.commands_after(0)[-1].name == "reboot"
    else:
        with pytest.raises(Refused):
            desk.ask(asked)


def test_a_reboot_is_refused_on_readings_of_hours_ago(desk, larder):
    old = card("v3-meat", latest={"cabinet_c": 2.0, "battery_v": 12.9}, observed_at=NOW_MS - HOUR_MS)
    larder.records.write_card(old, analysis(old))
    with pytest.raises(Refused):
        desk.ask(CommandAsked(unit="v3-meat", person="Thandi M.", command="reboot"))


def test_a_program_is_told_no_more_than_a_page_when_nobody_judges(larder):
    late = Desk(larder.records, larder.reader, lambda: NOW_MS + HOUR_MS, larder.box)
    live = [told for _, told in late.changes_after(0)]
    assert len(live) == 4
    listed = map(UnitCard.model_validate_json, late.cards_json())
    for told in (late.card("v3-veg"), *late.cards(), *listed, *live):
        assert told.standing.rank >= Verdict.NO_DATA.rank
        assert told.computed.rank >= Verdict.NO_DATA.rank
    assert (
        Desk(larder.records, larder.reader, lambda: NOW_MS, larder.box).card("v3-veg").standing is Verdict.OK
    )


def test_a_unit_taken_out_of_the_fleet_has_no_results(desk, larder):
    described = fleet()
    rest = described.model_copy(update={"units": described.units[1:]})
    larder.records.apply_fleet(rest, who="operator", now_ms=NOW_MS)
    for asked in (desk.card, desk.analysis):
        with pytest.raises(UnknownUnitError):
            asked("v3-meat")


def test_a_question_may_always_be_asked(desk, larder):
    desk.ask(CommandAsked(unit="v3-meat", person="Thandi M.", command="status"))
    assert [command.name for command in larder.records.commands_after(0)] == ["status"]


def test_health_names_a_part_that_fell_silent(desk, larder):
    assert desk.health().status == "ok"
    beat(larder.box.data, "monitor", NOW_MS - MINUTE_MS)
    found = desk.health()
    assert found.status == "degraded"
    assert {part.name: part.state for part in found.parts} == {"ingest": "running", "monitor": "silent"}
