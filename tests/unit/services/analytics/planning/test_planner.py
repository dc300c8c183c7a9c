import pytest

from services.analytics.planning import planner
from services.analytics.power.capacity import capacity_of
from services.domain.plan import HOLDS_FROM
from services.domain.tripfile import parse_trip
from tests.helpers.trips import DRIVES, HEAD, WARM_DRINKS, fleet, trip

HOT = "[weather]\nnight_c = 28\nday_c = 43\n"


@pytest.fixture(scope="module")
def good():
    return planner.plan(trip(nights=2))


@pytest.fixture(scope="module")
def bad():
    return planner.plan(trip(HOT, nights=2))


def test_a_driven_trip_on_a_fair_bank_holds(good):
    assert good.holds
    assert good.chance >= HOLDS_FROM
    assert good.changes == ()
    assert good.units[0].first_cutout is None
    assert good.units[0].warmest.p90 < 5.0


def test_every_hour_has_its_row_in_every_history(good):
    hours = len(good.hours)
    assert hours == 48
    assert {len(bank.soc) for bank in good.banks} == {hours}
    assert (
        {len(unit.food_c) for unit in good.units} == {len(unit.cabinet_c) for unit in good.units} == {hours}
    )
    assert [hour.doing for hour in good.hours[3:7]] == ["driving"] * 4
    for q in good.banks[0].soc:
        assert 0 <= q.p10 <= q.p50 <= q.p90 <= 1


def test_the_same_trip_gives_the_same_plan(good):
    assert planner.plan(trip(nights=2)) == good


def test_a_trip_without_driving_in_the_heat_does_not_hold_and_says_when(bad):
    assert not bad.holds
    bank, unit = bad.banks[0], bad.units[0]
    assert unit.first_cutout is not None
    assert abs(unit.first_cutout - bank.weakest_at) <= 2 * 3_600_000
    assert bank.weakest_soc.p10 < bank.cutout_soc.p90 + 0.05
    assert unit.warmest.p90 > 5.0
    assert any("half" in remark for remark in bank.remarks)


def test_what_would_make_it_hold_does_when_it_is_tried(bad):
    enough = next(c for c in bad.changes if c.enough and c.steps[0].kind == "bank" and len(c.steps) == 1)
    more = f'[[bank]]\nid = "t9-aux"\ncapacity_ah = {100 + enough.steps[0].amount}\n'
    again = planner.plan(trip(HOT + more, nights=2))
    assert again.holds
    assert again.banks[0].chance == pytest.approx(enough.chance)
    less = f'[[bank]]\nid = "t9-aux"\ncapacity_ah = {100 + enough.steps[0].amount - 25}\n'
    assert planner.plan(trip(HOT + less, nights=2)).chance < enough.chance


def test_warm_drinks_cost_charge_and_the_bank_pays():
    without, with_them = (planner.plan(trip(DRIVES + more, nights=2)) for more in ("", WARM_DRINKS))
    load = with_them.loads[0]
    assert 20 < load.costs_ah < 60
    assert load.cold_hours is not None
    assert load.full_duty_hours is not None
    assert load.cold_hours.p50 > load.full_duty_hours
    drawn = with_them.banks[0].out_ah_per_day - without.banks[0].out_ah_per_day
    assert 2 * drawn == pytest.approx(load.costs_ah, rel=0.15)
    assert with_them.units[0].warmest.p50 > without.units[0].warmest.p50


def test_one_more_cabinet_on_its_own_bank_changes_nothing_for_the_first(good):
    other = (
        '[[bank]]\nid = "b-2"\nchemistry = "lifepo4"\nnominal_v = 24\ncapacity_ah = 50\n'
        '[[unit]]\nid = "t9-ice"\nkind = "freezer"\n[unit.supply]\nbank = "b-2"\n[unit.food]\nload_kg = 10\n'
    )
    both = planner.plan(trip(DRIVES + other, nights=2))
    assert next(bank for bank in both.banks if bank.bank == "t9-aux") == good.banks[0]
    assert both.units[0] == good.units[0]
    assert {unit.unit for unit in both.units} == {"t9-meat", "t9-ice"}


def test_a_shared_bank_gives_way_sooner(good):
    second = '[[unit]]\nid = "t9-fish"\nkind = "fridge"\n[unit.supply]\nbank = "t9-aux"\n'
    both = planner.plan(trip(DRIVES + second, nights=2))
    assert both.banks[0].units == ("t9-meat", "t9-fish")
    assert both.banks[0].out_ah_per_day > 1.6 * good.banks[0].out_ah_per_day
    assert both.banks[0].weakest_soc.p10 < good.banks[0].weakest_soc.p10


def test_panels_help_only_where_the_sun_shines():
    panel = '[[bank]]\nid = "t9-aux"\npanel_wp = 100\n'
    clear, dark = (
        planner.plan(trip(f"[weather]\ncloud_share = {cloud}\n" + panel, nights=2)) for cloud in (0.1, 0.9)
    )
    assert clear.banks[0].in_ah_per_day > 1.5 * dark.banks[0].in_ah_per_day
    assert clear.banks[0].soc[-1].p10 > dark.banks[0].soc[-1].p90 + 0.05


def test_a_cabinet_on_mains_runs_only_while_something_is_plugged_in():
    unit = '[[unit]]\nid = "camp-milk"\nkind = "fridge"\n[unit.supply]\nkind = "mains"\n'
    head = HEAD.format(nights=1).replace('units = ["t9-meat"]', "")
    stop = '[[stop]]\nat = 00:00:00\nlasts_h = 24\nsupply = "mains"\n'
    off, on = (planner.plan(parse_trip(head + unit + more, name="t")) for more in ("", stop))
    assert not off.holds
    assert on.holds
    assert on.units[0].bank is None
    assert on.banks == ()


def test_a_tapped_bank_of_24_v_is_planned_for_its_emptier_half():
    bank = '[[bank]]\nid = "t9-two"\nchemistry = "agm"\nnominal_v = 24\ncapacity_ah = 60\n'
    unit = '[[unit]]\nid = "t9-ice"\nkind = "fridge"\n[unit.supply]\nbank = "t9-two"\n'
    whole, half = (planner.plan(trip(DRIVES + bank + tap + unit)) for tap in ("", "half_tap_a = 1.5\n"))
    (plain,), (tapped,) = ([b for b in made.banks if b.bank == "t9-two"] for made in (whole, half))
    assert tapped.out_ah_per_day - plain.out_ah_per_day == pytest.approx(36.0, abs=2.0)
    assert tapped.weakest_soc.p10 < plain.weakest_soc.p10 - 0.1
    assert any("the half that gives 1.5 A" in words for words in half.assumed)


def test_a_bank_that_starts_the_engine_has_an_earlier_line():
    starter = '[[bank]]\nid = "t9-aux"\nstarts_engine = true\n'
    found = planner.plan(trip(HOT + starter, nights=2))
    engine = found.banks[0].engine_may_not_start
    assert engine is not None
    assert found.units[0].first_cutout is not None
    assert engine < found.units[0].first_cutout


@pytest.mark.parametrize(("course", "ratio"), [("", 0.85), (DRIVES, 1.01)], ids=["standing", "driven"])
def test_a_tested_bank_is_told_more_sharply_than_one_of_unknown_age(course, ratio):
    """The same capacity on average; one filled every day says little of it, tested or not."""
    unknown = planner.plan(trip(course, nights=1))
    aged = fleet().settings_of("t9-meat")
    health = capacity_of(aged, as_of_ms=0).ah / aged.bank.capacity_ah
    tested = planner.plan(trip(f'{course}[[bank]]\nid = "t9-aux"\nhealth = {health}\n', nights=1))

    def width(made):
        return made.banks[0].weakest_soc.p90 - made.banks[0].weakest_soc.p10

    assert width(tested) < ratio * width(unknown)
    assert tested.banks[0].weakest_soc.p50 == pytest.approx(unknown.banks[0].weakest_soc.p50, abs=0.02)
    assert any("battery age unknown" in words for words in unknown.assumed)
    assert not any("battery age unknown" in words for words in tested.assumed)


def test_drinks_alone_have_no_limit_to_break():
    own = '[[unit]]\nid = "t9-meat"\n[unit.food]\nclasses = ["drinks"]\n'
    found = planner.plan(trip(DRIVES + WARM_DRINKS + own, nights=2))
    assert found.units[0].limit_c is None
    assert found.units[0].chance_cold == 1.0
    assert found.model_dump(mode="json", by_alias=True)["schema"] == "bushlarder/plan/1"
