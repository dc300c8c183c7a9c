from hypothesis import given
from hypothesis import strategies as st

from dashboards.natural import natural


def test_numbers_in_names_count_as_numbers():
    names = ["Vehicle 10", "vehicle 4", "Vehicle 4b", "Camp 2", "Annex", "12 Mile", "Vehicle"]
    assert sorted(names, key=natural) == [
        "12 Mile", "Annex", "Camp 2", "Vehicle", "vehicle 4", "Vehicle 4b", "Vehicle 10",
    ]  # fmt: skip


@given(st.lists(st.text(max_size=12), min_size=2, max_size=6))
def test_any_names_can_be_put_in_order(names):
    assert len(sorted(names, key=natural)) == len(names)


@given(st.text(alphabet="abc ", max_size=5), st.integers(0, 10**6), st.integers(0, 10**6))
def test_the_smaller_number_comes_first(word, one, other):
    assert (natural(f"{word}{one}") < natural(f"{word}{other}")) == (one < other)
