from dashboards.benchwords import bank_facts, cable_words, measured_words, missing, path_facts
from services.domain import DROP_LIMIT_SOURCE, Compressor, Supply, SupplyPath, Unit, UnitSettings, Work
from tests.helpers.larder import NO_BATTERY, NOW_MS, card, fleet

WORK = Work(
    start=NOW_MS, hours_seen=40.0, hours_run=10.0, starts=60, duty=0.25, starts_per_hour=1.5,
    expected_ohm=0.06, drop_limit_v=0.36, drop_limit_source=DROP_LIMIT_SOURCE,
)  # fmt: skip
PATH = SupplyPath(
    ohm=0.0912, sd_ohm=0.011, stops=40, coarse_reading=False, expected_ohm=0.055, drop_share=0.021,
    change_ohm_per_month=0.013, hours_lost=None, advised_mm2=6.0,
)  # fmt: skip


def words(facts):
    return {fact.name: fact.words for fact in facts}


def test_a_unit_that_tells_its_air_only_says_what_cannot_be_known():
    measured, gone = measured_words(card(latest={"cabinet_c": 3.2}))
    assert measured == "Measured on this unit: Cabinet."
    for lost in ("run hours", "cut-outs", "charge, run-out", "running current by the file"):
        assert lost in gone
    assert measured_words(card(latest={})) == ("Nothing was heard of this unit yet.", "")


def test_on_mains_no_battery_is_missed():
    _, gone = measured_words(
        card("camp-fish", latest={"cabinet_c": -19.5, "compressor_on": True}, runout=NO_BATTERY)
    )
    assert gone == ""
    assert words(bank_facts(fleet().settings_of("camp-fish"), None)) == {"Supply": "mains, no battery"}


def test_bank_and_wires_are_told_by_the_file_and_what_the_file_does_not_say_is_marked_as_assumed():
    found = words(bank_facts(fleet().settings_of("v3-meat"), None))
    assert found["Bank"] == "v3-aux: lead, AGM, 12 V, 100 Ah; feeds 2 units"
    assert found["Cut-out setting, by the file"] == "11.40 V"
    assert "assumed" in found["Cable"]
    assert "assumed" in found["Running current, by the file"]
    supply = Supply(nominal_v=24, cable_length_m=4.5, cable_mm2=2.5)
    told = UnitSettings.of(Unit(id="own", kind="fridge", supply=supply, compressor=Compressor(running_a=2.1)))
    assert cable_words(told) == "4.5 m one way, 2.5 mm²"
    found = words(bank_facts(told, None))
    assert found["Bank"] == "not described in the fleet file, 24 V taken"
    assert found["Cut-out setting, by the file"] == missing("not in the fleet file")
    assert found["Running current, by the file"] == "2.1 A"


def test_a_measured_path_stands_beside_a_sound_one_and_the_most_it_should_take_with_its_source():
    found = words(path_facts(WORK, PATH, None))
    assert found["Way from the battery"] == "91 mΩ ± 11 mΩ from 40 stops"
    assert found["A sound one would measure"] == "55 mΩ"
    assert found["Change"] == "13 mΩ a month, no more than chance"
    assert found["Lost at running current"] == "2.1 %"
    assert found["Most it should lose"].startswith("0.36 V: 3% of the nominal voltage: ISO 10133")
    sure = words(path_facts(WORK, PATH.model_copy(update={"change_sure": True}), None))
    assert sure["Change"] == "13 mΩ a month"


def test_a_path_nobody_measured_says_so_and_what_a_meter_should_show():
    found = words(path_facts(WORK, None, "2 usable compressor stops, 3 needed"))
    assert found["Way from the battery"] == "not measured on this unit: 2 usable compressor stops, 3 needed"
    assert found["A sound one would measure"] == "60 mΩ by cable, joints and battery"
