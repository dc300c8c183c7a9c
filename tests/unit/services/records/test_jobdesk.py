"""Jobs and departures in the records: lines that are only added to, refusals, marks of service."""

import pytest

from services.domain import (
    DepartureSaid,
    JobChecked,
    JobClosed,
    JobCorrected,
    JobNoted,
    JobOpened,
    JobPlanned,
    Part,
    VacuumHold,
)
from services.errors import Refused
from services.records.facade import Records
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS, datetime_of
from tests.helpers.larder import NOW_MS, fleet

WHO = "Thandi M."


@pytest.fixture
def records(tmp_path):
    opened = Records(tmp_path / "records.db")
    opened.apply_fleet(fleet(), who="operator", now_ms=NOW_MS - DAY_MS)
    yield opened
    opened.close()


def opened(**changes):
    told = {"person": WHO, "unit": "v3-meat", "work": "wiring", "reason": "voltage is lost on the way"}
    return JobOpened.model_validate({**told, **changes})


def test_a_job_tells_what_all_its_lines_together_say(records):
    fuse, cable = Part(what="fuse 15 A"), Part(what="cable 6 mm²", count=4.5)
    by = datetime_of(NOW_MS + 20 * HOUR_MS)
    number = records.open_job(opened(parts=(fuse,), cold_by=by), now_ms=NOW_MS)
    records.say_of_job(
        number, JobPlanned(kind="planned", person=WHO, parts=(fuse, cable)), now_ms=NOW_MS + MINUTE_MS
    )
    records.say_of_job(
        number,
        JobNoted(kind="noted", person="Jonas K.", note="joint was green", used=(cable,)),
        now_ms=NOW_MS,
    )
    records.say_of_job(number, JobClosed(person=WHO, outcome="done", used=(fuse,)), now_ms=NOW_MS + HOUR_MS)
    job = records.job(number)
    assert (job.unit, job.work, job.state, job.outcome) == ("v3-meat", "wiring", "closed", "done")
    assert job.parts == (fuse, cable)
    assert job.used == (cable, fuse)
    assert job.cold_by == NOW_MS + 20 * HOUR_MS
    assert (job.closed, job.closed_by) == (NOW_MS + HOUR_MS, WHO)
    assert [line.said.kind for line in job.lines] == ["opened", "planned", "noted", "closed"]
    assert records.jobs(state="open") == []
    assert records.jobs(units={"v3-meat"}) == [job]
    assert records.jobs(units={"camp-milk"}) == []


def test_a_closed_job_is_a_mark_only_where_the_machine_was_touched(records):
    for outcome in ("done", "failed", "not_needed", "passed_on"):
        number = records.open_job(opened(), now_ms=NOW_MS)
        records.say_of_job(number, JobClosed(person=WHO, outcome=outcome), now_ms=NOW_MS + number)
    assert [(m.job, m.at, m.work, m.done) for m in records.job_marks("v3-meat")] == [
        (1, NOW_MS + 1, "wiring", True),
        (2, NOW_MS + 2, "wiring", False),
    ]
    assert records.job_marks("v3-veg") == ()
    assert [tuple(each) for each in records.last_done()] == [("v3-meat", "wiring", NOW_MS + 1)]


def test_a_closing_that_was_a_mistake_is_taken_back_and_stays_to_be_read(records):
    number = records.open_job(opened(), now_ms=NOW_MS)
    records.say_of_job(number, JobClosed(person=WHO, outcome="done"), now_ms=NOW_MS)
    closing = records.job(number).lines[-1].id
    taken = JobCorrected(kind="corrected", person=WHO, line=closing, reason="wrong cabinet")
    records.say_of_job(number, taken, now_ms=NOW_MS + 1)
    job = records.job(number)
    assert (job.state, job.outcome, job.mark) == ("open", None, None)
    assert [line.said.kind for line in job.lines] == ["opened", "closed", "corrected"]
    assert records.jobs(state="open") == [job]
    assert records.last_done() == []
    with pytest.raises(Refused, match="taken back already"):
        records.say_of_job(number, taken, now_ms=NOW_MS + 2)


def test_words_of_a_line_are_corrected_by_the_newest_line_about_it(records):
    number = records.open_job(opened(), now_ms=NOW_MS)
    first = records.job(number).lines[0].id
    for words in ("fuse holder is loose", "socket is loose"):
        said = JobCorrected(kind="corrected", person=WHO, line=first, note=words, reason="looked again")
        records.say_of_job(number, said, now_ms=NOW_MS)
    assert records.job(number).reason == "socket is loose"
    with pytest.raises(Refused, match="close it as not needed"):
        records.say_of_job(
            number, JobCorrected(kind="corrected", person=WHO, line=first, reason="x"), now_ms=NOW_MS
        )


def test_work_said_late_is_dated_when_it_was_over_and_never_ahead(records):
    number = records.open_job(opened(), now_ms=NOW_MS)
    for wrong in (NOW_MS + DAY_MS, NOW_MS - 31 * DAY_MS):
        with pytest.raises(Refused, match="thirty days"):
            records.say_of_job(
                number, JobClosed(person=WHO, outcome="done", happened=datetime_of(wrong)), now_ms=NOW_MS
            )
    before = NOW_MS - 2 * DAY_MS
    records.say_of_job(
        number, JobClosed(person=WHO, outcome="done", happened=datetime_of(before)), now_ms=NOW_MS
    )
    assert records.job_marks("v3-meat")[0].at == before


def test_sheets_of_circuit_work_are_kept_with_the_job(records):
    number = records.open_job(opened(work="cooling"), now_ms=NOW_MS)
    sheet = VacuumHold(check="vacuum", reached_micron=300, after_micron=450, minutes=30, technician="Wes P.")
    records.say_of_job(number, JobChecked(kind="checked", person=WHO, sheet=sheet), now_ms=NOW_MS)
    assert records.job(number).lines[-1].said.sheet == sheet


@pytest.mark.parametrize(
    ("said", "words"),
    [
        (opened(person="Nobody"), "may sign"),
        (opened(unit="v9-none"), "no unit"),
        (opened(cold_by=datetime_of(NOW_MS - 1)), "past"),
    ],
)
def test_a_job_by_nobody_on_nothing_or_in_the_past_is_refused(records, said, words):
    with pytest.raises(Refused, match=words):
        records.open_job(said, now_ms=NOW_MS)
    assert records.jobs() == []


def test_after_closing_only_notes_and_corrections_are_taken(records):
    number = records.open_job(opened(), now_ms=NOW_MS)
    records.say_of_job(number, JobClosed(person=WHO, outcome="failed"), now_ms=NOW_MS)
    records.say_of_job(number, JobNoted(kind="noted", person=WHO, note="part is ordered"), now_ms=NOW_MS)
    with pytest.raises(Refused, match="is closed"):
        records.say_of_job(number, JobClosed(person=WHO, outcome="done"), now_ms=NOW_MS)
    with pytest.raises(Refused, match="note or a part"):
        records.say_of_job(number, JobNoted(kind="noted", person=WHO), now_ms=NOW_MS)
    with pytest.raises(Refused, match="no job 99"):
        records.say_of_job(99, JobNoted(kind="noted", person=WHO, note="x"), now_ms=NOW_MS)


def test_of_each_place_the_newest_word_on_its_departure_counts(records):
    def say(site, leaves_ms):
        leaves = None if leaves_ms is None else datetime_of(leaves_ms)
        records.say_departure(DepartureSaid(person=WHO, site=site, leaves=leaves), now_ms=NOW_MS)

    say("vehicle-3", NOW_MS + 3 * DAY_MS)
    say("vehicle-3", NOW_MS + 2 * DAY_MS)
    say("river-camp", NOW_MS + DAY_MS)
    assert [(d.site, d.leaves) for d in records.departures()] == [
        ("river-camp", NOW_MS + DAY_MS),
        ("vehicle-3", NOW_MS + 2 * DAY_MS),
    ]
    say("river-camp", None)
    assert [d.site for d in records.departures()] == ["vehicle-3"]
    for wrong in (NOW_MS - 1, NOW_MS + 500 * DAY_MS):
        with pytest.raises(Refused, match="lies ahead"):
            say("vehicle-3", wrong)
    with pytest.raises(Refused, match="no site"):
        say("nowhere", NOW_MS + DAY_MS)


def test_a_check_in_melting_ice_that_was_taken_back_does_not_count(records):
    for days in (5, 2):
        records.say_ice_point("v3-meat", who=WHO, reading_c=0.2, now_ms=NOW_MS - days * DAY_MS)
    assert records.last_ice_points() == {"v3-meat": NOW_MS - 2 * DAY_MS}
    line = records.statements("v3-meat", 1)[0].id
    records.correct("v3-meat", line, who=WHO, reading_c=None, reason="other sensor", now_ms=NOW_MS)
    assert records.last_ice_points() == {"v3-meat": NOW_MS - 5 * DAY_MS}
