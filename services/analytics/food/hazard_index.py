"""Time in the bands of a published table of cumulative times: an index, never a verdict of the law."""

from dataclasses import dataclass

import numpy as np

from services.analytics.food.growth import pairs
from services.telemetry import FloatArray, IntArray

HOURS_PER_DAY = 24.0
WARM_C = 10.0
"""Above it time counts in the summary for raw fish that is eaten as it is."""
HOT_C = 21.1
"""70 °F as the document prints it."""
COOKED_C = 57.2
LEVEL_K = 1e-9
DOCUMENT = (
    "FDA Fish and Fishery Products Hazards and Controls Guidance, Appendix 4 "
    "(introduction read in the copy of 2020)"
)
BANDS_SOURCE = f"{DOCUMENT}, Table A-2: all hours from memory"


@dataclass(frozen=True, slots=True)
class Bands:
    """The longest cumulative time of one organism by temperature of the food's core."""

    organism: str
    above_c: float
    """Below or at it nothing counts."""
    bands: tuple[tuple[float, float], ...]
    """Upper edge [°C] and hours; a temperature on an edge belongs to the band it ends."""


def _bands(organism: str, above_c: float, *bands: tuple[float, float]) -> Bands:
    return Bands(organism, above_c, bands)


_D = HOURS_PER_DAY
_NO_END = float("inf")
TABLE_A2: tuple[Bands, ...] = (
    _bands("Bacillus cereus", 4.0, (6, 5 * _D), (15, _D), (21, 6), (_NO_END, 3)),
    _bands("Campylobacter jejuni", 30.0, (34, 48), (_NO_END, 12)),
    _bands("C. botulinum A and proteolytic B, F", 10.0, (21, 11), (_NO_END, 2)),
    _bands("C. botulinum E and others", 3.3, (5, 7 * _D), (10, 2 * _D), (21, 11), (_NO_END, 6)),
    _bands("C. perfringens", 10.0, (12, 21 * _D), (14, _D), (21, 6), (_NO_END, 2)),
    _bands("pathogenic E. coli", 6.6, (10, 2 * _D), (21, 5), (_NO_END, 2)),
    _bands("Listeria monocytogenes", -0.4, (5, 7 * _D), (10, _D), (21, 7), (30, 3), (_NO_END, 1)),
    _bands("Salmonella", 5.2, (10, 2 * _D), (21, 5), (_NO_END, 2)),
    _bands("Shigella", 6.1, (10, 2 * _D), (21, 5), (_NO_END, 2)),
    _bands("Staphylococcus aureus", 10.0, (21, 12), (_NO_END, 3)),
    # Printed for 10 °C alone: taken from 9.5 °C on, where a whole degree rounds up to it.
    _bands("Vibrio cholerae", 9.5, (10, 21 * _D), (21, 6), (27, 2), (_NO_END, 1)),
    _bands("V. parahaemolyticus", 5.0, (10, 21 * _D), (21, 6), (27, 2), (_NO_END, 1)),
    _bands("V. vulnificus", 8.0, (10, 21 * _D), (21, 6), (27, 2), (_NO_END, 1)),
    _bands("Yersinia enterocolitica", -1.3, (10, _D), (21, 6), (_NO_END, 2.5)),
)


def indexes(t_ms: IntArray, food_c: FloatArray) -> dict[str, float]:
    """Return for each organism the shares of its times used up, added over the bands; 1 is all of it.

    Parameters
    ----------
    t_ms : (n,) int64
        Times, never falling. [ms since 1970-01-01 UTC]
    food_c : (n,) float64
        Core temperature, straight lines between, no gap left out. [°C]

    Returns
    -------
    dict of str to float
        By organism; never negative, never falling as time goes on.

    References
    ----------
    .. [1] The document says that times are cumulative and that lines between its rows are not to be drawn;
       it gives no rule for several bands at once. Adding shares is ours.
    """
    edges = {edge for bands in TABLE_A2 for edge in _edges(bands)}
    history = _Lines.of(t_ms, food_c)
    above = {edge: history.hours_above(edge) for edge in edges}
    return {bands.organism: _share(bands, above) for bands in TABLE_A2}


def worst_index(t_ms: IntArray, food_c: FloatArray) -> tuple[float, str]:
    """Return the highest index of all organisms of the table, and which one it is."""
    found = indexes(t_ms, food_c)
    organism = max(found, key=lambda name: found[name])
    return found[organism], organism


def _edges(bands: Bands) -> tuple[float, ...]:
    return (bands.above_c, *(edge for edge, _ in bands.bands))


def _share(bands: Bands, above_h: dict[float, float]) -> float:
    """Return the index from the hours above each edge."""
    edges = _edges(bands)
    return sum(
        (above_h[low] - above_h[high]) / hours
        for low, high, (_, hours) in zip(edges, edges[1:], bands.bands, strict=False)
    )


@dataclass(frozen=True, slots=True)
class RawFish:
    """The three summary rules for raw fish that is eaten as it is; one that passes is enough."""

    warm_h: float
    """Hours above 10 °C."""
    hot_h: float
    """Hours above 21.1 °C."""
    within: tuple[str, ...]
    """Which of the rules a, b and c the time lies within."""


def raw_fish(t_ms: IntArray, food_c: FloatArray) -> RawFish:
    """Return time above 10 and 21.1 °C against the summary rules of Appendix 4.

    (a) ever above 21.1 °C: no more than 2 h above 10 °C; (b) no more than 4 h above 10 °C of which no more
    than 2 h above 21.1 °C; (c) never above 21.1 °C: no more than 5 h above 10 °C (these hours from memory).
    Time above 57.2 °C is not time between.
    """
    history = _Lines.of(t_ms, food_c)
    cooked, warm, hot = (history.hours_above(c) for c in (COOKED_C, WARM_C, HOT_C))
    warm, hot = warm - cooked, hot - cooked
    ever = hot > 0 or cooked > 0
    rules = {
        "a": ever and warm <= 2,  # noqa: PLR2004 - the document's hours
        "b": warm <= 4 and hot <= 2,  # noqa: PLR2004
        "c": not ever and warm <= 5,  # noqa: PLR2004
    }
    return RawFish(warm, hot, tuple(name for name, kept in rules.items() if kept))


@dataclass(frozen=True, slots=True)
class _Lines:
    """A history as straight lines, made ready once for every edge."""

    hours: FloatArray
    low_c: FloatArray
    high_c: FloatArray
    swing_k: FloatArray
    """Never zero: a level line is given a swing too small to matter."""

    @staticmethod
    def of(t_ms: IntArray, food_c: FloatArray) -> "_Lines":
        """Return the lines between neighbours."""
        hours, left, right = pairs(t_ms, food_c)
        low, high = np.minimum(left, right), np.maximum(left, right)
        return _Lines(hours, low, high, np.maximum(high - low, LEVEL_K))

    def hours_above(self, limit_c: float) -> float:
        """Return the hours they lie strictly above a temperature."""
        if np.isinf(limit_c):
            return 0.0
        share = np.clip((self.high_c - limit_c) / self.swing_k, 0.0, 1.0)
        return float(np.sum(self.hours * share))
