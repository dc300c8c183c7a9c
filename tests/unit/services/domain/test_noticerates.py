"""How many notices whom reach, counted by hand."""

from services.domain import NoticeMove
from services.domain.noticerates import TARGETS, rates_of
from services.timebase import DAY_MS, MINUTE_MS

START_MS = 20_000 * DAY_MS


def move(minutes, move_="raised", key="unit:a:silence", **fields):
    given = {
        "notice": 1,
        "kind": "silence",
        "site": "camp-a",
        "who": "manager",
        "priority": "low",
        "kept_back": False,
        "units": ("a",),
    }
    return NoticeMove(
        **(given | {"cause_key": key, "at": START_MS + round(minutes * MINUTE_MS), "move": move_} | fields)
    )


def rates(*moves, days=1):
    return rates_of(moves, (), start_ms=START_MS, end_ms=START_MS + days * DAY_MS)


def test_nothing_told_is_no_rate_and_no_share():
    found = rates()
    assert (found.count, found.reached, found.shares, found.flood_share) == (0, (), {}, 0.0)


def test_what_calls_for_attention_counts_and_what_people_say_does_not():
    found = rates(move(0), move(5, "acknowledged"), move(9, "returned"), move(30, "again"), move(50, "worse"))
    assert found.count == 3
    assert found.reached[0].per_day == 3.0


def test_a_cook_is_one_at_each_camp_and_a_manager_is_one_for_all():
    moves = [
        move(k, who=who, site=site)
        for k, (who, site) in enumerate(
            [("cook", "camp-a"), ("cook", "camp-b"), ("manager", "camp-a"), ("manager", "camp-b")]
        )
    ]
    found = {(each.who, each.site): each.count for each in rates(*moves).reached}
    assert found == {("cook", "camp-a"): 1, ("cook", "camp-b"): 1, ("manager", None): 2}


def test_the_busiest_hour_and_the_mean_are_of_whom_it_reached():
    found = rates(move(1), move(59), move(61), days=2).reached[0]
    assert (found.busiest_hour, found.per_day, found.per_hour) == (2, 1.5, 1.5 / 24)


def test_shares_are_of_everything_told():
    found = rates(move(0, priority="high"), *(move(k, priority="low") for k in range(1, 4)))
    assert found.shares == {"low": 0.75, "medium": 0.0, "high": 0.25}


def test_a_flood_lasts_while_more_than_ten_came_within_ten_minutes():
    ten = [move(k / 10) for k in range(10)]
    assert rates(*ten).flood_share == 0.0
    eleventh = rates(*ten, move(2))
    assert round(eleventh.flood_share * DAY_MS) == 8 * MINUTE_MS


def test_what_was_only_counted_reached_nobody():
    found = rates(move(0), move(1, kept_back=True))
    assert (found.count, found.kept_back, found.reached[0].count) == (2, 1, 1)


def test_a_cause_told_once_is_no_offender():
    found = rates(move(0), move(60, "again"), move(70, key="unit:b:silence", notice=2))
    assert [(each.cause_key, each.count) for each in found.offenders] == [("unit:a:silence", 2)]


def test_lines_outside_the_span_do_not_count():
    assert rates(move(-1), move(24 * 60)).count == 0
    assert rates(move(0), move(24 * 60 - 1)).count == 2


def test_every_target_names_where_it_comes_from():
    assert all(target.source for target in TARGETS)
