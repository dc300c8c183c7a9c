"""The set of held numbers against a plain Python set, and what is known of its times."""

from hypothesis import given
from hypothesis import strategies as st

from services.store.held import Held, Run

stretches = st.lists(st.tuples(st.integers(0, 40), st.integers(0, 6)), max_size=40)
steps = st.lists(
    st.one_of(
        st.integers(0, 30).map(lambda sq: (sq, sq, True)),
        st.tuples(st.integers(0, 30), st.integers(0, 4)).map(lambda p: (p[0], sum(p), False)),
    ),
    max_size=30,
)


@given(stretches)
def test_held_numbers_agree_with_a_plain_set(added):
    held, plain = Held(), set()
    for first, more in added:
        held.add(first, first + more)
        plain.update(range(first, first + more + 1))
        assert [sq for sq in range(-2, 50) if held.holds(sq)] == sorted(plain)
        assert held.newest == max(plain)
        assert held.mark == next(sq for sq in range(-1, 50) if sq + 1 not in plain)
        missing = {sq for first, last in held.gaps() for sq in range(first, last + 1)}
        assert missing == set(range(max(plain))) - plain


def test_nothing_is_held_at_first():
    held = Held()
    assert (held.mark, held.newest, held.gaps(), held.holds(0)) == (-1, -1, [], False)


@given(steps, st.integers(1, 5))
def test_what_is_written_down_step_by_step_is_what_is_held(added, every):
    held, written = Held(), {}
    for count, (first, last, dated) in enumerate(added):
        held.add(first, last, first * 60_000 if dated else None)
        if count % every == 0:
            _write(held, written)
    _write(held, written)
    again = Held([written[first] for first in sorted(written)])
    assert again.gaps() == held.gaps()
    assert (again.mark, again.newest) == (held.mark, held.newest)
    assert again.take_changes() == (set(), [])


def _write(held, written):
    gone, changed = held.take_changes()
    for first in gone:
        written.pop(first, None)  # it may have come and gone between two takings
    written.update({run.first: run for run in changed})


@given(st.permutations(range(12)))
def test_the_ends_of_a_run_are_dated_by_its_own_samples_whatever_the_order(order):
    held = Held()
    for sq in order:
        if sq != 6:
            held.add(sq, sq, sq * 60_000)
    runs = sorted(held.take_changes()[1], key=lambda run: run.first)
    assert runs == [Run(0, 5, 0, 300_000), Run(7, 11, 420_000, 660_000)]


def test_numbers_declared_missing_have_no_time_and_borrow_that_of_the_next_sample():
    held = Held()
    held.add(3, 5)
    held.add(6, 6, 360_000)
    held.add(7, 9)
    assert held.take_changes()[1] == [Run(3, 9, 360_000, 360_000)]
    assert held.around(20, 22) == (360_000, None)
    assert held.around(0, 1) == (None, 360_000)


def test_times_waiting_for_the_start_of_a_boot_are_corrected_with_it():
    held = Held()
    held.add(0, 0, None, 10_000)
    held.add(1, 1, 70_000, 70_000)
    held.add(3, 3, 1_000_000)
    held.take_changes()
    held.start_at(500_000)
    assert held.take_changes()[1] == [Run(0, 1, 510_000, 570_000, 10_000, 70_000)]
