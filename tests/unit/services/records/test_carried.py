"""What moved in an analysis is kept apart, and read as one with it."""

import json

from services.records.carried import moved_json, moved_on
from tests.helpers import made
from tests.helpers.made import NOON_MS

MINUTE_MS = 60_000


def plain(analysis):
    return json.loads(analysis.model_dump_json(by_alias=True))


def gone_on(before, *episodes):
    """Return an analysis a minute later, with the episodes of the one before as they were, and more."""
    old = before.exposure[0]
    new = made.exposure(*episodes, start_ms=old.start + MINUTE_MS).episodes
    exposure = old.model_copy(update={"start": old.start + MINUTE_MS, "episodes": (*old.episodes, *new)})
    return before.model_copy(
        update={
            "as_of": before.as_of + MINUTE_MS,
            "samples": 11,
            "exposure": (exposure,),
            "verdict_why": "later",
        }
    )


def test_what_moved_and_what_it_goes_on_from_read_as_the_newer_analysis():
    long_ago = tuple((NOON_MS - k * 10 * MINUTE_MS, NOON_MS - k * 10 * MINUTE_MS + 900) for k in (9, 6, 3))
    before = made.analysis(exposures=(made.exposure(*long_ago, start_ms=NOON_MS - 100 * MINUTE_MS),))
    later = gone_on(before, (NOON_MS, NOON_MS + MINUTE_MS))
    moved = json.loads(moved_json(later, before))
    assert [len(entry["episodes"]) for entry in moved["exposure"]] == [1], (
        "those that are over are not told again"
    )
    assert moved_on(plain(before), moved) == plain(later)


def test_episodes_that_changed_are_told_again():
    before = made.analysis(
        exposures=(made.exposure((NOON_MS - 9 * MINUTE_MS, NOON_MS), start_ms=NOON_MS - 100 * MINUTE_MS),)
    )
    grown = made.exposure((NOON_MS - 9 * MINUTE_MS, NOON_MS + 500), start_ms=NOON_MS - 99 * MINUTE_MS)
    later = before.model_copy(update={"exposure": (grown,)})
    assert moved_on(plain(before), json.loads(moved_json(later, before))) == plain(later)
