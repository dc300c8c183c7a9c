import pytest
from sqlalchemy import text

from services.domain import FEATURES, Bank, Evidence, Finding, HealthDay, Middle, Unit, Usual
from services.records.facade import Records
from services.records.healthbook import KEEP_MS, HealthState, Use
from services.timebase import DAY_MS
from tests.helpers import made
from tests.helpers.made import NOON_MS

TODAY_MS = NOON_MS - NOON_MS % DAY_MS
FIRST_MS = TODAY_MS - 10 * DAY_MS


@pytest.fixture
def records(tmp_path):
    opened = Records(tmp_path / "records.db")
    opened.apply_fleet(made.fleet(), who="operator", now_ms=FIRST_MS)
    yield opened
    opened.close()


def day(number, **changes):
    told = {
        "hours_seen": 24.0,
        "hours_run": 6.0,
        "starts": 30.0,
        "dust_h": 2.0,
        "marks": ("heat",),
        **changes,
    }
    return HealthDay(day=FIRST_MS + number * DAY_MS, measured_on="here", **told)


def write(records, *days, unit="v3-meat"):
    start, end = days[0].day, days[-1].day + DAY_MS
    records.write_health(unit, days, start_ms=start, end_ms=end)


def test_days_come_back_as_they_were_written(records):
    days = [day(0, night_slope_per_k=0.0089, ambient_from="measured"), day(1, lids=3.0, lids_from="jumps")]
    write(records, *days)
    assert records.health_days("v3-meat", FIRST_MS, TODAY_MS) == tuple(days)
    assert records.health_days("v3-meat", FIRST_MS + 1, TODAY_MS) == (days[1],)
    assert records.health_days("v3-ice", FIRST_MS, TODAY_MS) == ()
    assert records.health_states()["v3-meat"] == HealthState(FIRST_MS + 2 * DAY_MS, None)


def test_days_worked_out_anew_take_the_place_of_what_they_were(records):
    write(records, day(0), day(1), day(2))
    records.write_health("v3-meat", [day(1, hours_run=9.0)], start_ms=day(1).day, end_ms=day(3).day)
    kept = records.health_days("v3-meat", FIRST_MS, TODAY_MS)
    assert [(d.day, d.hours_run) for d in kept] == [(day(0).day, 6.0), (day(1).day, 9.0)]


def test_days_older_than_two_years_and_a_season_go(records):
    old = HealthDay(day=FIRST_MS - KEEP_MS - DAY_MS, measured_on="here", hours_seen=24.0)
    write(records, old)
    write(records, day(0))
    assert [d.day for d in records.health_days("v3-meat", 0, TODAY_MS)] == [FIRST_MS]


def test_use_is_summed_for_every_unit_at_once(records):
    write(records, day(0), day(1, hours_run=8.0, dust_h=None))
    write(records, day(0, starts=10.0), unit="v3-ice")
    used = records.use_between(FIRST_MS, TODAY_MS)
    assert used["v3-meat"] == Use(days=2, hours_seen=48.0, hours_run=14.0, starts=60.0, dust_h=2.0)
    assert used["v3-ice"].starts == 10.0
    assert records.use_between(TODAY_MS, TODAY_MS + DAY_MS) == {}


def test_findings_hold_until_their_days_are_taken_back(records):
    write(records, day(0))
    row = Evidence(quantity="slope", value=2.0, operator=">", threshold=1.0, unit="1/K", source="own days")
    found = Finding(finding="runs more", since=FIRST_MS, evidence=(row,), check="look", due=None)
    usual = Usual(feature="duty", middle=0.3, low=0.2, high=0.4, days=21, first=FIRST_MS, last=TODAY_MS)
    records.write_findings("v3-meat", [found], [usual], [], found_ms=TODAY_MS)
    assert records.health_usual("v3-meat") == (usual,)
    assert records.health_usual("v3-ice") == ()
    state = records.health_states()["v3-meat"]
    assert (state.found_ms, state.findings) == (TODAY_MS, (found,))
    records.reopen_health({"v3-meat": FIRST_MS})
    state = records.health_states()["v3-meat"]
    # told on until the days are worked out again, but due to be looked at
    assert (state.next_ms, state.found_ms, state.findings) == (FIRST_MS, None, (found,))


def changed(fleet, unit=None, bank=None):
    units = tuple(u.model_copy(update=unit or {}) if u.id == "v3-meat" else u for u in fleet.units)
    banks = tuple(b.model_copy(update=bank or {}) for b in fleet.banks)
    return fleet.model_copy(update={"units": units, "banks": banks})


def test_what_was_described_anew_sets_baselines_anew_and_the_first_description_does_not(records):
    assert records.service_marks("v3-meat") == ()
    fleet = changed(made.fleet(), unit={"set_point_c": 4.0})
    records.apply_fleet(fleet, who="operator", now_ms=FIRST_MS + DAY_MS)
    records.apply_fleet(
        changed(fleet, bank={"capacity_ah": 60.0}), who="operator", now_ms=FIRST_MS + 2 * DAY_MS
    )
    marks = [(mark.at, mark.kind) for mark in records.service_marks("v3-meat")]
    assert marks == [(FIRST_MS + DAY_MS, "set_point"), (FIRST_MS + 2 * DAY_MS, "bank")]
    assert records.service_marks("v3-ice") == ()


def test_food_and_a_name_are_no_mark(records):
    fleet = made.fleet()
    other = next(u for u in fleet.units if u.id == "v3-meat")
    named = Unit.model_validate({**other.model_dump(), "name": "Chest"})
    units = tuple(named if u.id == named.id else u for u in fleet.units)
    records.apply_fleet(fleet.model_copy(update={"units": units}), who="operator", now_ms=FIRST_MS + DAY_MS)
    assert records.service_marks("v3-meat") == ()


def test_a_bank_changed_before_the_unit_came_to_it_is_no_mark(records):
    fleet = made.fleet()
    spare = Bank(id="v3-spare", chemistry="agm", nominal_v=12, capacity_ah=80)
    with_spare = fleet.model_copy(update={"banks": (*fleet.banks, spare)})
    records.apply_fleet(with_spare, who="operator", now_ms=FIRST_MS + DAY_MS)
    bigger = spare.model_copy(update={"capacity_ah": 90.0})
    later = fleet.model_copy(update={"banks": (*fleet.banks, bigger)})
    records.apply_fleet(later, who="operator", now_ms=FIRST_MS + 2 * DAY_MS)
    own = next(u for u in fleet.units if u.id == "v3-meat").supply
    moved = changed(later, unit={"supply": own.model_copy(update={"bank": "v3-spare"})})
    records.apply_fleet(moved, who="operator", now_ms=FIRST_MS + 3 * DAY_MS)
    assert [(m.at, m.kind) for m in records.service_marks("v3-meat")] == [(FIRST_MS + 3 * DAY_MS, "bank")]


def test_what_the_last_weeks_come_to_is_kept_by_unit_and_written_anew(records):
    write(records, day(0))
    write(records, day(0), unit="v3-ice")
    first = [Middle("capacity_share", 0.8, None, None), Middle("starts_per_h", 1.5, 28, 1.4)]
    records.write_findings("v3-meat", [], [], first, found_ms=TODAY_MS)
    records.write_findings("v3-ice", [], [], first[:1], found_ms=TODAY_MS)
    assert records.health_middles() == {"v3-meat": first, "v3-ice": first[:1]}
    records.write_findings("v3-meat", [], [], first[1:], found_ms=TODAY_MS + DAY_MS)
    assert records.health_middles()["v3-meat"] == first[1:]


def test_a_day_takes_about_half_of_what_it_takes_as_json(records):
    """With indexes; as JSON a day of a unit with three channels and air takes 1.07 kB."""
    told = {name: 0.12345 for name in FEATURES if "current" not in FEATURES[name].needs}
    full = day(0, has=("cabinet", "battery", "ambient"), ambient_from="measured", **told)
    records.write_health(
        "v3-meat",
        [full.model_copy(update={"day": FIRST_MS + n * DAY_MS}) for n in range(400)],
        start_ms=FIRST_MS,
        end_ms=FIRST_MS + 400 * DAY_MS,
    )
    with records._database.reading() as session:
        pages = "SELECT sum(pgsize) FROM dbstat WHERE name LIKE '%health_days%'"
        assert session.execute(text(pages)).scalar_one() / 400 < 600
