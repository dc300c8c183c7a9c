import numpy as np
import pytest

from services.analytics.planning.draws import MOST_EFFICIENCY, TRIPS
from services.analytics.planning.run import Variant, carry
from tests.helpers.trips import DRIVES, WARM_DRINKS
from tests.unit.services.analytics.planning.test_changes import HOT, parts


def test_charge_is_conserved_through_a_whole_trip():
    scene, days, riders, supply = parts(DRIVES)
    outcome = carry(scene, days, riders, supply, [Variant()])
    capacity = supply.bank.capacity_ah * supply.draws.capacity_share
    efficiency = np.minimum(MOST_EFFICIENCY, supply.curve.coulombic_share * supply.draws.efficiency)
    # what was drawn while chargers covered it never touched the bank; what went in lost its share
    went = (supply.draws.start_soc - outcome.soc[-1]) * capacity
    bounds = outcome.out_ah[0] - outcome.in_ah[0], outcome.out_ah[0] - efficiency * outcome.in_ah[0]
    assert np.all(went >= bounds[0] - 1e-6)
    assert np.all(went <= bounds[1] + 1e-6)


def test_one_variant_is_the_same_alone_and_among_others():
    scene, days, riders, supply = parts(HOT)
    alone = carry(scene, days, riders, supply, [Variant()])
    among = carry(scene, days, riders, supply, [Variant(), Variant(more_ah=50), Variant(section_mm2=25)])
    assert np.array_equal(alone.soc, among.soc)
    assert np.array_equal(alone.rides[0].food_c, among.rides[0].food_c)
    assert np.array_equal(alone.out_ah[0], among.out_ah[0])


def test_a_cut_out_stops_the_draw_and_the_food_warms():
    scene, days, riders, supply = parts(HOT)
    ride = carry(scene, days, riders, supply, [Variant(), Variant(endless=True)]).rides[0]
    stopped = np.isfinite(ride.first_stop_h[0])
    assert stopped.mean() > 0.5
    assert not np.isfinite(ride.first_stop_h[1]).any()
    assert np.all(ride.warmest_c[0] >= ride.warmest_c[1] - 1e-9)
    assert np.median(ride.warmest_c[0][stopped]) > 8.0
    assert ride.warmest_c[1].max() < 4.0
    assert np.all(ride.ran_share[0][stopped] <= ride.ran_share[1][stopped])


def test_food_loaded_cold_or_left_out_leaves_the_rest_alone():
    scene, days, riders, supply = parts(DRIVES + WARM_DRINKS)
    ride = carry(
        scene, days, riders, supply, [Variant(), Variant(load_cold=True), Variant(no_load=True)]
    ).rides[0]
    assert ride.warmest_c[0].min() > ride.warmest_c[1].max()
    assert ride.warmest_c[1] == pytest.approx(ride.warmest_c[2], abs=0.2)
    assert np.isfinite(ride.cold_after_h[0]).all()


def test_without_a_bank_it_runs_while_plugged_in():
    plugged = '[[stop]]\nat = 12:00:00\nlasts_h = 6\nsupply = "mains"\n'
    scene, days, riders, _ = parts(plugged)
    ride = carry(scene, days, riders, None, [Variant()]).rides[0]
    assert ride.food_c.shape == (scene.hours, TRIPS)
    assert ride.food_c[5].max() < 4.0
    assert ride.food_c[17].min() > 6.0
