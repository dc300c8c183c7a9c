from services.domain import Bench, Quantiles, SupplyPath, UnitCard, Work
from tests.helpers.larder import NOW_MS, analysis, card

WORK = Work(
    start=NOW_MS, hours_seen=40.0, hours_run=10.0, starts=60, duty=0.25, starts_per_hour=1.5,
    expected_ohm=0.06, drop_limit_v=0.36,
)  # fmt: skip
PATH = SupplyPath(
    ohm=0.09, sd_ohm=0.01, stops=40, coarse_reading=False, expected_ohm=0.055, drop_share=0.021,
    change_ohm_per_month=None, hours_lost=None, advised_mm2=None,
)  # fmt: skip


def test_a_card_carries_the_numbers_of_its_analysis():
    found = analysis(card())
    battery = found.battery.model_copy(
        update={"supply_path": PATH, "capacity_ah": Quantiles(p10=70, p50=78, p90=85)}
    )
    bench = Bench.of(found.model_copy(update={"work": WORK, "battery": battery}))
    assert (bench.hours_run, bench.starts, bench.starts_per_hour) == (10.0, 60, 1.5)
    assert (bench.source_ohm, bench.expected_ohm, bench.drop_share) == (0.081, 0.055, 0.021)
    assert bench.capacity_ah.p50 == 78
    assert bench.days_since_full == 1.4


def test_what_was_not_measured_says_why_and_the_expected_path_is_that_of_the_file():
    found = analysis(card()).model_copy(
        update={"work": WORK, "battery": None, "battery_reason": "no battery voltage in these samples"}
    )
    bench = Bench.of(found)
    assert bench.expected_ohm == 0.06
    for name in ("days_since_full", "source_ohm", "drop_share", "capacity_ah"):
        assert getattr(bench, name) is None
        assert getattr(bench, f"{name}_reason") == "no battery voltage in these samples"


def test_an_analysis_kept_before_these_numbers_were_is_read_and_says_so():
    kept = analysis(card()).model_dump(mode="json", by_alias=True)
    for name in ("work", "work_reason"):
        kept.pop(name, None)
    bench = Bench.of(type(analysis(card())).model_validate(kept))
    assert (bench.hours_run, bench.hours_run_reason) == (None, "not looked at")
    old = card().model_dump(mode="json")
    del old["bench"]
    assert UnitCard.model_validate(old).bench is None
