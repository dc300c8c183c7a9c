from datetime import date

import pytest

from services.analytics.food.rulebook.catalog import DEFAULT_RULES, RULES
from services.analytics.food.rulebook.medicine import LINES

CLAUSES = [row for rules in RULES.values() for row in rules.clauses] + [line.clause for line in LINES]


def test_every_rule_set_is_found_by_its_own_name():
    assert DEFAULT_RULES in RULES
    assert all(rules.name == name for name, rules in RULES.items())


def test_no_clause_is_written_twice():
    assert len({row.id for row in CLAUSES}) == len(CLAUSES)


@pytest.mark.parametrize("row", CLAUSES, ids=lambda row: row.id)
def test_every_clause_says_what_it_counts_from_when_and_how_it_was_read(row):
    assert row.counts
    assert row.starts
    assert row.at_limit
    assert row.never_resets
    assert date.fromisoformat(row.read_on)
    assert row.section or row.read in {"no source", "from memory"} or row.edition


def test_a_class_has_one_core_limit_in_each_document():
    for rules in RULES.values():
        named = [c for row in rules.core_limits for c in row.food_classes]
        assert len(named) == len(set(named))


def test_cold_limits_are_upper_limits_in_degrees():
    for rules in RULES.values():
        assert {(row.operator, row.unit) for row in rules.core_limits} <= {("<=", "°C")}


def test_no_country_without_a_readable_number_has_a_rule_set():
    assert not any(name.startswith(("ke-", "tz-", "zm-", "na-")) for name in RULES)
