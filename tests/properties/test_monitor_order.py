"""However samples arrive, the same is computed, and no order of arrival hides a hold."""

import tempfile
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from services.domain import Verdict
from tests.helpers.house import MINUTE_MS, House, minutes, sample
from tests.helpers.made import NOON_MS

stretches = st.lists(
    st.tuples(st.sampled_from([-1.0, 2.0, 4.6, 6.0, 9.0, 20.0, None]), st.integers(5, 150)),
    min_size=1,
    max_size=6,
)
"""Temperature (None: the sensor is silent) and minutes of it."""


@st.composite
def arrivals(draw):
    """Return samples in order, and the same in another order with repeats, cut into batches."""
    temperatures = [c for c, length in draw(stretches) for _ in range(length)]
    samples = minutes(temperatures, end_ms=NOON_MS)
    if draw(st.booleans()):  # two identities at one time
        samples.append(sample(0, samples[-1].t_ms, 3.0, bid=2))
    cuts = sorted(draw(st.sets(st.integers(1, len(samples)), max_size=5)))
    parts = [samples[a:b] for a, b in zip([0, *cuts], [*cuts, len(samples)], strict=True)]
    parts = draw(st.permutations([part for part in parts if part]))
    repeats = draw(st.lists(st.sampled_from(samples), max_size=5))
    return samples, [*parts, repeats]


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(arrivals())
def test_order_repeats_and_batches_change_nothing_that_is_computed(case):
    samples, parts = case
    with tempfile.TemporaryDirectory() as folder:
        plain, other = House(Path(folder) / "plain"), House(Path(folder) / "other")
        plain.hear(samples, at_ms=NOON_MS)
        plain.look(NOON_MS)
        stood = Verdict.OK
        for number, part in enumerate(parts):
            now = NOON_MS - (len(parts) - number) * MINUTE_MS
            other.hear(part, at_ms=now)
            other.look(now)
            if stood.rank >= Verdict.HOLD.rank:
                assert other.card().standing.rank >= stood.rank
            stood = other.card().standing
        other.look(NOON_MS)
        assert other.records.analysis("v3-meat") == plain.records.analysis("v3-meat")
        assert other.card().computed is plain.card().computed
        if plain.card().standing.rank >= Verdict.HOLD.rank:
            assert other.card().standing.rank >= plain.card().standing.rank
        plain.close()
        other.close()
