"""The set of held numbers against a plain Python set."""

from hypothesis import given
from hypothesis import strategies as st

from services.store.held import Held

stretches = st.lists(st.tuples(st.integers(0, 40), st.integers(0, 6)), max_size=40)


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


def test_a_held_stretch_can_be_given_at_the_start():
    held = Held(9)
    held.add_each([12, 11])
    assert held.holds(9)
    assert held.gaps() == [(10, 10)]
