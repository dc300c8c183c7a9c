"""Time in place of cold at the door to the records, on a real SQLite file."""

import pytest

from services.domain import BatchNew, Verdict
from services.errors import Refused
from services.records.facade import Records
from services.records.said import BatchResult
from tests.helpers import made
from tests.helpers.made import NOON_MS

MINUTE = 60_000
SAID = {"time_control": "4h", "written_procedure": True, "marked": True, "probe_c": 4.0}
STEW = BatchNew(what="Stew", food_class="cooked", unit="v3-meat", quantity=4.0, core_c=3.5)


def opened(tmp_path, *, rules=("fda-food-code-2022",), vulnerable=False):
    records = Records(tmp_path / "records.db")
    fleet = made.fleet()
    food = {"rules": rules, "vulnerable_guests": vulnerable}
    units = tuple(
        u.model_copy(update={"food": u.food.model_copy(update=food)}) if u.id == "v3-meat" else u
        for u in fleet.units
    )
    records.apply_fleet(fleet.model_copy(update={"units": units}), who="operator", now_ms=NOON_MS)
    return records


def in_order(records, new=STEW, verdict=Verdict.OK):
    number = records.load_batch(new, who="Asha", now_ms=NOON_MS)
    card = records.batch_card(number)
    changes = {"computed": verdict, "standing": verdict, "standing_why": "made by hand"}
    newest = max(event.id for event in records.batch_events(number))
    assert not records.write_batches([BatchResult(card.model_copy(update=changes), newest)])
    return number


def take_out(records, number, happened_ms=None, **changes):
    body = {name: value for name, value in {**SAID, **changes}.items() if value is not None}
    now_ms = NOON_MS + 60 * MINUTE
    return records.say_of_batch(
        number, "taken_out", who="Asha", body=body, now_ms=now_ms, happened_ms=happened_ms
    )


def test_a_batch_taken_out_under_time_control_never_goes_back(tmp_path):
    records = opened(tmp_path)
    number = in_order(records)
    take_out(records, number)
    life = records.batch_life(number)
    assert (life.time_control.started_ms, life.time_control.six_hours) == (NOON_MS + 60 * MINUTE, False)
    later = {"who": "Asha", "now_ms": NOON_MS + 90 * MINUTE}
    for kind, body in (
        ("put_back", {}),
        ("moved", {"unit": "v3-ice"}),
        ("frozen", {"unit": "v3-ice"}),
        ("split", {"quantity": 1.0, "unit": "v3-ice"}),
        ("thawed", {"unit": "v3-ice"}),
    ):
        with pytest.raises(Refused, match="never goes back"):
            records.say_of_batch(number, kind, body=body, **later)
    part = records.say_of_batch(number, "split", body={"quantity": 1.0}, **later)
    assert records.batch_life(part).time_control == life.time_control
    records.say_of_batch(number, "served", **later)
    assert records.batch_card(number).batch.end == "served"
    records.close()


def test_no_hold_is_closed_by_putting_it_into_the_cold(tmp_path):
    records = opened(tmp_path)
    number = in_order(records)
    take_out(records, number)
    card = records.batch_card(number).model_copy(update={"computed": Verdict.HOLD, "standing": Verdict.HOLD})
    newest = max(event.id for event in records.batch_events(number))
    records.write_batches([BatchResult(card, newest)])
    later = {"who": "Asha", "now_ms": NOON_MS + 90 * MINUTE}
    for disposition in ("moved", "refrozen"):
        body = {"probe_c": 9.0, "disposition": disposition, "reason": "made by hand", "unit": "v3-ice"}
        with pytest.raises(Refused, match="never goes back"):
            records.say_of_batch(number, "hold_closed", body=body, **later)
    body = {"probe_c": 9.0, "disposition": "discarded", "reason": "too long"}
    records.say_of_batch(number, "hold_closed", body=body, **later)
    records.close()


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"probe_c": 5.1}, "5 °C or less"),
        ({"probe_c": None}, "Measure it"),
        ({"written_procedure": None}, "written beforehand"),
        ({"written_procedure": False}, "written beforehand"),
        ({"marked": None}, "Mark it"),
        ({"time_control": None}, "Procedure and mark"),
        ({"happened_ms": NOON_MS + 40 * MINUTE}, "not afterwards"),
    ],
)
def test_every_condition_has_to_be_met(tmp_path, changes, words):
    records = opened(tmp_path)
    number = in_order(records)
    with pytest.raises(Refused, match=words):
        take_out(records, number, **changes)
    assert records.batch_card(number).batch.place == "stored"
    take_out(records, number, probe_c=5.0, happened_ms=NOON_MS + 50 * MINUTE)
    records.close()


def test_rules_that_do_not_know_it_do_not_take_it(tmp_path):
    records = opened(tmp_path, rules=("za-r638-2018",))
    with pytest.raises(Refused, match="do not know"):
        take_out(records, in_order(records))
    records.close()


def test_where_vulnerable_guests_eat_what_may_be_raw_eggs_stays_cold(tmp_path):
    records = opened(tmp_path, vulnerable=True)
    eggs = STEW.model_copy(update={"food_class": "other_chilled", "what": "Eggs"})
    with pytest.raises(Refused, match="raw eggs"):
        take_out(records, in_order(records, eggs))
    take_out(records, in_order(records))
    records.close()


@pytest.mark.parametrize("verdict", [Verdict.NO_DATA, Verdict.HOLD, Verdict.DISCARD_ADVISED])
def test_a_breakdown_cannot_be_turned_into_it(tmp_path, verdict):
    records = opened(tmp_path)
    with pytest.raises(Refused, match="in order"):
        take_out(records, in_order(records, verdict=verdict))
    records.close()
