import html
import json

import numpy as np
import pytest
from sqlalchemy import text

from dashboards.reports import sheet, table
from deploy.logbook import LogBook
from deploy.reporting import Period
from services.domain import BatchNew
from services.monitor.worker import Monitor
from services.timebase import DAY_MS, MINUTE_MS, Span
from tests.helpers.inspected import DAY, PRINTED_MS, TODAY, fleet, open_book, steady


@pytest.fixture
def book(tmp_path):
    found = open_book(tmp_path, steady)
    yield found
    found.close()


def test_a_batch_and_everything_said_of_it_stands_in_the_log_corrections_too(book):
    records = book.records
    new = BatchNew(
        what="=Beef stew", food_class="cooked", unit="camp-meat", quantity=4, supplier="Hill farm", lot="7"
    )
    number = records.load_batch(new, who="Jonas K.", now_ms=DAY + 60 * MINUTE_MS)
    records.say_of_batch(
        number, "corrected", who="Thandi M.", body={"quantity": 5}, now_ms=DAY + 90 * MINUTE_MS
    )
    records.say_of_batch(number, "probed", who="Jonas K.", body={"probe_c": 4.5}, now_ms=DAY + 95 * MINUTE_MS)
    made = LogBook(records, book.reader).sheet("camp-meat", Period(TODAY, TODAY), printed_ms=PRINTED_MS)
    assert [event.kind for event in made.batch_events] == ["loaded", "corrected", "probed"]
    page = sheet.html(made)
    for words in ("=Beef stew", "supplier Hill farm, lot 7", "Correction", "Thandi M.", "probe 4.5 °C"):
        assert words in page
    content = table.csv_bytes(made).decode("utf-8-sig")
    assert content.count("\nbatch,") == 3


def test_a_check_in_melting_ice_is_told_with_what_it_did_to_the_counting(book):
    book.records.say_ice_point(
        "camp-meat", who="Thandi M.", reading_c=-1.2, channel="cabinet", now_ms=DAY + 300 * MINUTE_MS
    )
    made = LogBook(book.records, book.reader).sheet("camp-meat", Period(TODAY, TODAY), printed_ms=PRINTED_MS)
    (check,) = made.ice_points
    assert (check.reading_c, check.who, check.origin) == (-1.2, "Thandi M.", "said")
    assert any(a.offset_k == pytest.approx(1.2) and a.failed for a in made.applied)
    page = sheet.html(made)
    assert "1.2 K added" in page
    assert "suspect: a check failed" in page
    # the readings themselves stay as they came
    assert float(made.readings.numbers("cabinet_c")[100]) == round(steady(100), 3)


def test_a_reading_corrected_long_after_the_period_is_printed_with_what_corrects_it(book):
    at_ms = DAY + 300 * MINUTE_MS
    book.records.say_probe("camp-meat", who="Jonas K.", probe_c=9.0, now_ms=at_ms)
    (line,) = book.records.statements("camp-meat", 1)
    fix = {"who": "Thandi M.", "reading_c": 3.0, "reason": "read the shelf", "now_ms": DAY + 5 * DAY_MS}
    book.records.correct("camp-meat", line.id, **fix)
    (later,) = book.records.statements("camp-meat", 1)
    made = LogBook(book.records, book.reader).sheet("camp-meat", Period(TODAY, TODAY), printed_ms=PRINTED_MS)
    page = html.unescape(sheet.html(made))
    assert "probe 9.0 °C" in page
    assert f"corrected by line {later.id}" in page
    assert f"line {line.id}; about probe; read the shelf; probe 3.0 °C (said after the period)" in page


def test_what_was_said_shortly_after_the_period_is_told_as_such_and_signatures_always(book):
    book.records.say_note("camp-meat", who="Jonas K.", note="seal mended", now_ms=DAY + DAY_MS + MINUTE_MS)
    book.records.say_signed(
        "camp-meat", who="Thandi M.", note="looked through", now_ms=PRINTED_MS - MINUTE_MS
    )
    made = LogBook(book.records, book.reader).sheet("camp-meat", Period(TODAY, TODAY), printed_ms=PRINTED_MS)
    page = sheet.html(made)
    assert "seal mended (said after the period)" in page
    assert "Signed on the pages" in page
    assert "looked through" in page


def test_a_change_that_leaves_the_cabinet_as_it_was_makes_no_second_description(book):
    book.records.apply_fleet(
        fleet(extra='[[bank]]\nid = "spare-one"\nchemistry = "agm"\nnominal_v = 12\ncapacity_ah = 90'),
        who="operator",
        now_ms=DAY + 100 * MINUTE_MS,
    )
    made = LogBook(book.records, book.reader).sheet("camp-meat", Period(TODAY, TODAY), printed_ms=PRINTED_MS)
    assert len(made.regimes) == 1
    assert made.regimes[0].span == Span(DAY, DAY + DAY_MS)


def test_a_cabinet_never_heard_has_a_log_that_knows_nothing(tmp_path):
    found = open_book(tmp_path, steady, days=0.0)
    made = LogBook(found.records, found.reader).sheet(
        "camp-meat", Period(TODAY, TODAY), printed_ms=PRINTED_MS
    )
    assert made.days[0].silent_minutes == 1440.0
    assert "1440.0 min without readings" in sheet.html(made)
    found.close()


def test_a_stored_number_comes_out_as_json_would_have_it(book):
    made = LogBook(book.records, book.reader).sheet("camp-meat", Period(TODAY, TODAY), printed_ms=PRINTED_MS)
    line = made.days[0].lines[0].exposure
    assert json.loads(line.model_dump_json(by_alias=True))["minutes_above"] == line.minutes_above
    assert np.all(np.diff(made.readings.t_ms) > 0)


def test_cold_counts_too_where_food_must_not_freeze(tmp_path):
    cold = open_book(
        tmp_path,
        lambda m: steady(m) - 4.5 if 600 <= m <= 680 else steady(m) + 1.5,
        described=fleet(classes='["medicine"]'),
    )
    made = LogBook(cold.records, cold.reader).sheet("camp-meat", Period(TODAY, TODAY), printed_ms=PRINTED_MS)
    below = [row.limit_c for row in made.regimes[0].limits if row.below]
    assert 2.0 in below
    passed = [p for s in made.stretches for p in s.passings if p.below and p.limit_c == 2.0]
    assert sum(p.span.minutes for p in passed) == pytest.approx(81.0, abs=2.0)
    assert min(p.peak_c for p in passed) < -1.0
    page = sheet.html(made)
    assert "below 2.0 °C (medicine-2-8)" in page
    assert "discard advised at" not in page  # medicine is quarantined, never thrown away on our word
    cold.close()


def test_a_cabinet_said_to_be_empty_is_told_so_beside_its_minutes(book):
    book.records.say_unit_state("camp-meat", "empty", "Jonas K.", DAY + 600 * MINUTE_MS)
    book.records.say_unit_state("camp-meat", "in_use", "Jonas K.", DAY + 700 * MINUTE_MS)
    book.records.say_unit_state("camp-meat", "off", "Jonas K.", DAY + 1000 * MINUTE_MS)
    made = LogBook(book.records, book.reader).sheet("camp-meat", Period(TODAY, TODAY), printed_ms=PRINTED_MS)
    assert [(rest.state, rest.span.minutes) for rest in made.resting] == [("empty", 100.0), ("off", 440.0)]
    page = sheet.html(made)
    assert "empty 10:00:00 to 11:40:00, as said" in page
    assert "switched off 16:40:00 to 24:00:00, as said" in page
    assert len(made.regimes) == 1


def test_a_probe_in_the_log_stands_beside_what_the_law_says_of_it_by_the_rules_of_that_time(book):
    at = DAY + 600 * MINUTE_MS
    book.records.say_probe("camp-meat", who="Jonas K.", probe_c=4.5, surface_c=7.5, now_ms=at)
    new = BatchNew(what="Rump", food_class="red_meat", unit="camp-meat", core_c=3.0)
    number = book.records.load_batch(new, who="Jonas K.", now_ms=at)
    body = {"probe_c": 5.0, "surface_c": 7.1}
    book.records.say_of_batch(number, "probed", who="Jonas K.", body=body, now_ms=at + MINUTE_MS)
    sheet_of = LogBook(book.records, book.reader).sheet
    made = sheet_of("camp-meat", Period(TODAY, TODAY), printed_ms=PRINTED_MS)
    (line,) = [line for line in made.said if line.kind == "probe"]
    assert [(s.core_c, s.surface_c) for s in line.spot] == [(4.5, 7.5)]
    loaded, probed = made.batch_events
    assert [s.compliant for s in made.batch_spots[loaded.id]] == ["yes"]
    assert [s.compliant for s in made.batch_spots[probed.id]] == ["no"]
    for printed in (sheet.html(made), table.csv_bytes(made).decode()):
        assert "probe 5.0 °C; surface 7.1 °C" in printed
        assert "not kept: surface 7.1 °C, above 7 °C" in printed
        assert "8(4)(a)(ii)" in printed


def test_what_each_text_answers_of_food_that_thawed_stands_in_the_log_with_its_source(tmp_path):
    warm = open_book(
        tmp_path,
        lambda m: steady(m) - 7.0 if 300 <= m <= 900 else steady(m) - 23.0,
        described=fleet(classes='["frozen_other"]', kind="freezer"),
    )
    records, at = warm.records, DAY + 60 * MINUTE_MS
    new = BatchNew(what="Kudu", food_class="frozen_other", unit="camp-meat", core_c=-20.0)
    number = records.load_batch(new, who="Jonas K.", now_ms=at)
    body = {"probe_c": -4.5, "ice": True}
    records.say_of_batch(number, "probed", who="Jonas K.", body=body, now_ms=DAY + 890 * MINUTE_MS)
    monitor = Monitor(warm.reader, records)
    for ends_ms in (DAY + 900 * MINUTE_MS, DAY + 905 * MINUTE_MS):
        while monitor.step(ends_ms).more:
            pass
    card = records.batch_card(number)
    assert {answer.question for answer in card.answers} == {"keep", "freeze_again", "sell_as_frozen"}
    book_of = LogBook(records, warm.reader)

    def printed():
        made = book_of.sheet("camp-meat", Period(TODAY, TODAY), printed_ms=PRINTED_MS)
        return html.unescape(sheet.html(made)), table.csv_bytes(made).decode("utf-8-sig")

    page, content = printed()
    for answer in card.answers:
        assert answer.source in page
    assert content.count("\nanswer of a text,") == len(card.answers)
    for told in (page, content):
        assert "Freeze it again?" in told
        assert "ice seen in it" in told
    assert "Since it was frozen, above \N{MINUS SIGN}18.0 °C" in page
    records.say_of_batch(number, "discarded", who="Jonas K.", now_ms=DAY + 906 * MINUTE_MS)
    while monitor.step(DAY + 907 * MINUTE_MS).more:
        pass
    assert records.batch_card(number).batch.place == "gone"
    assert printed()[1].count("\nanswer of a text,") == len(card.answers), "food that is gone keeps them"
    warm.close()


def test_the_link_printed_on_a_log_is_found_later_and_tells_when_the_past_was_written_anew(book):
    records = book.records
    records.say_note("camp-meat", who="Jonas K.", note="lid open", now_ms=DAY + 60 * MINUTE_MS)
    made = LogBook(records, book.reader).sheet("camp-meat", Period(TODAY, TODAY), printed_ms=PRINTED_MS)
    links, head = records.chain_head()
    page = sheet.html(made)
    assert f"in {links} links" in page
    assert f"<code>{head}</code>" in page
    assert head in table.csv_bytes(made).decode("utf-8-sig")
    records.say_note("camp-meat", who="Jonas K.", note="later", now_ms=DAY + 70 * MINUTE_MS)
    assert records.verify_chain([made.chain[1]]).faults == []
    with records._database.writing() as session:  # what somebody with the database's password can do
        for name in ("audit_salts", "audit_chain"):
            session.execute(text(f"DELETE FROM {name} WHERE no >= {links}"))  # noqa: S608 - our names
        session.execute(text("DELETE FROM statements"))
    assert [fault.kind for fault in records.verify_chain([made.chain[1]]).faults] == ["other_past"]
