"""Messages in words: lengths, what each says, and what is never said."""

import re

import pytest

from dashboards.language import LANGUAGES, Reader, read_by
from dashboards.messagewords import LONGEST_SHORT, LONGEST_SUBJECT, MessageWords, clipped, trial_words
from dashboards.noticewords import TASKS
from dashboards.radiowords import radio
from dashboards.wheres import names_of
from services.domain import NoticeLine, Told, Verdict, notice_of
from services.domain.telling import LINK, NoticeTold
from services.timebase import HOUR_MS, MINUTE_MS
from tests.helpers import larder
from tests.helpers.larder import NOW_MS

WORDS = MessageWords(lambda _: ())
FLEET = larder.fleet()
NAMES = names_of(FLEET)
MEAT = larder.card(
    latest={"cabinet_c": 9.2}, minutes_above=40.0, decided_c=5.0, cut_out_now=True, standing=Verdict.WATCH
)
COLD = larder.card("v3-veg", name="Salad drawer", latest={"cabinet_c": 3.0})


def notice(state="new", **changes):
    told = Told(
        cause_key="unit:v3-meat:power", kind="cut_out", priority="high", unit="v3-meat", site="vehicle-3",
        since=NOW_MS - 40 * MINUTE_MS, cause="the compressor stopped for want of voltage",
        consequence="food_warms", act_by=NOW_MS + HOUR_MS, what_to_do="save_food", who="manager",
        units=("v3-meat",),
    ).model_copy(update=changes)  # fmt: skip
    lines = [NoticeLine(id=1, at=NOW_MS - 30 * MINUTE_MS, kind="raised", priority="high", level=5)]
    if state == "acknowledged":
        lines.append(NoticeLine(id=2, at=NOW_MS, kind="acknowledged", who="Thandi M."))
    return notice_of(7, told, lines, now_ms=NOW_MS)


def told(event="told", *, cards=(MEAT, COLD), link=44, page="https://a.example/notices/7", **changes):
    state = "acknowledged" if event == "taken" else "new"
    return NoticeTold(
        event=event,
        notice=notice(state, **changes),
        fleet=FLEET,
        cards=cards,
        now_ms=NOW_MS,
        told_ms=NOW_MS - 30 * MINUTE_MS,
        link_length=link,
        page=page,
    )


def test_a_message_says_unit_place_what_since_when_how_warm_what_to_do_and_how_to_take_it():
    body = WORDS.notice(told(), "en").body
    for words in (
        "Stopped, no power: Meat chest, Vehicle 3",
        "Since 16:25 (40 min ago).",
        "The compressor stopped for want of voltage.",
        "Cabinet 9.2 °C, 40 s ago.",
        "40 min above 5.0 °C, 0 min not known.",
        "Food in it passes its limit if nobody acts.",
        "Manager: Keep the lid shut.",
        "By 18:05, in 60 min.",
        "exhaust kills",
        "Nobody has taken it yet.",
        f"Say that you see to it: {LINK}",
        "See it: https://a.example/notices/7",
    ):
        assert words in body


def test_without_a_public_address_a_message_has_no_link_and_says_where_to_look():
    written = WORDS.notice(told(link=0, page=""), "en")
    assert LINK not in written.body + written.short
    assert "See and take it on the notices page of the box." in written.body


def test_each_step_says_why_it_comes():
    assert "Nobody has taken it for 30 min, so you are told." in WORDS.notice(told("next"), "en").body
    assert (
        "Nobody has taken it for 30 min. Everybody is told now." in WORDS.notice(told("everybody"), "en").body
    )
    taken = WORDS.notice(told("taken"), "en")
    assert "Thandi M. has taken it." in taken.body
    assert "Thandi M. has taken it." in taken.short
    assert LINK not in WORDS.notice(told("passed", link=0), "en").short


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("event", ["told", "next", "everybody", "passed", "taken"])
def test_subjects_and_short_forms_keep_their_length_in_every_language(language, event):
    long = FLEET.model_copy(
        update={"units": tuple(u.model_copy(update={"name": "Meat chest " * 8}) for u in FLEET.units)}
    )
    for fleet in (FLEET, long):
        for link in (0, 80):
            asked = told(event, link=link)
            written = WORDS.notice(
                NoticeTold(
                    **{name: getattr(asked, name) for name in NoticeTold.__slots__} | {"fleet": fleet}
                ),
                language,
            )
            assert len(written.subject) <= LONGEST_SUBJECT
            assert "\n" not in written.subject
            bare = written.short.removesuffix(f" {LINK}")
            assert bare.isascii()
            assert len(bare) + (link + 1 if LINK in written.short else 0) <= LONGEST_SHORT
            assert not re.search(r"(?i)\bsafe", written.body + written.short)


def test_the_radio_says_where_what_how_warm_how_long_and_where_to():
    said = radio(notice(), NAMES, [MEAT, COLD], NOW_MS)
    assert said == (
        "Vehicle 3, Meat chest: meat, at 9 degrees, too warm for 40 minutes, stopped. "
        "Keep the lid shut. Move it to Salad drawer. Over."
    )
    assert not re.search(r"[°%:;]\s?C|\N{MINUS SIGN}", said)


def test_the_radio_sends_food_nowhere_that_is_not_cold_and_medicine_nowhere_at_all():
    warm = COLD.model_copy(update={"latest": {"cabinet_c": 8.0}})
    assert "Move it to" not in radio(notice(), NAMES, [MEAT, warm], NOW_MS)
    medicine = MEAT.model_copy(update={"classes": ("medicine",)})
    assert "Move it to" not in radio(notice(), NAMES, [medicine, COLD], NOW_MS)


def test_the_radio_tells_no_reading_that_is_old_and_speaks_of_frost_in_words():
    old = MEAT.model_copy(update={"observed_at": NOW_MS - 2 * HOUR_MS})
    assert "degrees" not in radio(notice(), NAMES, [old], NOW_MS)
    frozen = MEAT.model_copy(update={"latest": {"cabinet_c": -11.6}})
    assert "minus 12 degrees" in radio(notice(), NAMES, [frozen], NOW_MS)
    with read_by(Reader("en", "f")):
        assert "at 49 degrees Fahrenheit" in radio(notice(), NAMES, [MEAT], NOW_MS)


def test_hours_on_the_radio_are_never_fewer_than_there_were():
    long = MEAT.model_copy(update={"minutes_above": 133.2})
    assert "too warm for 2 hours 14 minutes" in radio(notice(), NAMES, [long], NOW_MS)


@pytest.mark.parametrize("task", TASKS)
def test_every_task_can_be_said_over_the_radio(task):
    said = radio(notice(what_to_do=task), NAMES, [MEAT], NOW_MS)
    assert said.endswith(". Over.")


def test_a_trial_says_that_nothing_is_wrong():
    written = trial_words("fr", who="Thandi M.", house="River camp", at="2026-03-04 17:05")
    assert "Thandi M." in written.body
    assert len(written.short) <= LONGEST_SHORT


def test_words_are_cut_between_words():
    assert clipped("one two three", 13) == "one two three"
    assert clipped("one two three four", 13) == "one two…"
    assert clipped("a" * 20, 10) == "a" * 9 + "…"
