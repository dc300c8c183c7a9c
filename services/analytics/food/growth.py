"""How fast germs grow at a temperature: an index that orders and explains, and never clears food."""

from dataclasses import dataclass

import numpy as np

from services.telemetry import FloatArray, IntArray
from services.timebase import HOUR_MS

GAUSS_NODES, GAUSS_WEIGHTS = np.polynomial.legendre.leggauss(8)
"""Eight points: the rates below are integrated over a straight line to better than 1e-6."""


@dataclass(frozen=True, slots=True)
class GrowthModel:
    """One published square-root model of one organism in one food.

    √r = b (T - Tmin), and where `tmax_c` is given √r = b (T - Tmin) (1 - e^{c (T - Tmax)}); the rate is
    nothing at and below Tmin and at and above Tmax: clamped before it is squared, because a squared
    negative number would be growth in the cold.
    """

    name: str
    b: float
    """Slope of the root, in the root of `unit` per kelvin."""
    tmin_c: float
    unit: str
    """What one hour of a rate of 1 makes: ``log10/h``, ``ln/h`` or ``doublings/h``."""
    unit_read: bool
    """False: the unit was inferred, only ratios between temperatures may be used."""
    range_c: tuple[float, float] | None
    """Temperatures it was made from, None where not said."""
    source: str
    c: float = 0.0
    tmax_c: float | None = None

    def rate(self, food_c: FloatArray) -> FloatArray:
        """Return growth per hour at each temperature, in `unit`."""
        root = self.b * np.maximum(np.asarray(food_c, dtype=np.float64) - self.tmin_c, 0.0)
        if self.tmax_c is not None:
            short = np.minimum(np.asarray(food_c) - self.tmax_c, 0.0)
            root = root * -np.expm1(self.c * short)
        return np.asarray(root**2)

    def ratio(self, food_c: FloatArray, *, reference_c: float) -> FloatArray:
        """Return how many times faster than at a reference temperature."""
        slow = float(self.rate(np.array([reference_c]))[0])
        if slow <= 0.0:
            raise ValueError(f"{self.name} does not grow at {reference_c} °C")
        return self.rate(food_c) / slow


_COPY = "parameters read in a secondary copy: public model repository of the RAKIP initiative"

LISTERIA_HAM = GrowthModel(
    name="Listeria monocytogenes, cooked ham",
    b=0.058 / np.sqrt(24.0),
    tmin_c=-1.03,
    unit="log10/h",
    unit_read=True,
    range_c=(0.0, 20.0),
    source=f"Mataragas et al. 2006: b 0.058, Tmin -1.03 °C, log10 per day; {_COPY}",
)
LISTERIA_MILK = GrowthModel(
    name="Listeria monocytogenes, pasteurised milk",
    b=0.024,
    tmin_c=-2.32,
    unit="ln/h",
    unit_read=False,
    range_c=(1.5, 16.0),
    source=f"Xanthiakos et al. 2006: b 0.024, Tmin -2.32 °C; {_COPY}; unit inferred",
)
LISTERIA_VEGETABLES = GrowthModel(
    name="Listeria monocytogenes, blanched vegetables",
    b=float(np.sqrt(0.0117)) / (5.0 + 1.18),
    tmin_c=-1.18,
    unit="log10/h",
    unit_read=True,
    range_c=None,
    source="EFSA 2020, doi 10.2903/j.efsa.2020.6092: 0.0117 log10/h at 5 °C, Tmin -1.18 °C; read in a "
    "secondary copy",
)
SALMONELLA_PORK = GrowthModel(
    name="Salmonella, fresh pork",
    b=0.0356,
    tmin_c=2.33,
    unit="ln/h",
    unit_read=False,
    range_c=(4.0, 38.0),
    source=f"Møller et al. 2013: b 0.0356, Tmin 2.33 °C; {_COPY}; unit inferred",
)
ECOLI_BEEF = GrowthModel(
    name="E. coli O157:H7, raw beef",
    b=0.0362,
    tmin_c=4.10,
    unit="ln/h",
    unit_read=False,
    range_c=(5.0, 37.0),
    source=f"Huang 2011: b 0.0362, Tmin 4.10 °C; {_COPY}; unit inferred",
)
PSEUDOMONAS_BROTH = GrowthModel(
    name="Pseudomonas, broth",
    b=0.03346,
    tmin_c=-7.7,
    unit="doublings/h",
    unit_read=False,
    range_c=(-0.4, 28.0),
    source=f"Neumeyer et al. 1997: b 0.03346, Tmin -7.7 °C; {_COPY}; unit inferred",
)
PSEUDOMONAS_CARCASS = GrowthModel(
    name="Pseudomonas, pig carcass",
    b=0.033,
    tmin_c=-0.27 / 0.033,
    unit="doublings/h",
    unit_read=False,
    range_c=(-2.0, 25.0),
    source=f"Gill and Jones 1992: r = (0.033 T + 0.27)²; {_COPY}; unit inferred",
)
SNYDER_CURVE = GrowthModel(
    name="curve through the table of Snyder",
    b=0.03201,
    tmin_c=-2.923,
    unit="doublings/h",
    unit_read=True,
    range_c=(-1.1, 48.9),
    source="fitted by us to the 20 rows of O. P. Snyder, HITM 2001 (read in a copy), within 0.6 %; the table "
    "itself is drawn through the limits of the US Food Code",
    c=0.4323,
    tmax_c=52.68,
)
MODELS: tuple[GrowthModel, ...] = (
    LISTERIA_HAM,
    LISTERIA_MILK,
    LISTERIA_VEGETABLES,
    SALMONELLA_PORK,
    ECOLI_BEEF,
    PSEUDOMONAS_BROTH,
    PSEUDOMONAS_CARCASS,
    SNYDER_CURVE,
)


def growth(model: GrowthModel, t_ms: IntArray, food_c: FloatArray) -> float:
    """Return growth over a temperature history, without any lag phase, in the model's own unit.

    Parameters
    ----------
    model : GrowthModel
        The organism and the food.
    t_ms : (n,) int64
        Times, never falling; two readings at one time are a step. [ms since 1970-01-01 UTC]
    food_c : (n,) float64
        Temperature of the food, straight lines between. [°C]

    Returns
    -------
    float
        Never negative; a warmer history never gives less below 40 °C.

    Raises
    ------
    ValueError
        If the arrays differ in length, times fall, or a temperature is not finite.

    References
    ----------
    .. [1] Ratkowsky et al. 1982 and 1983, square-root models. No authority accepts them for the release of
       food: this is an index.
    """
    return float(np.sum(grown(model, t_ms, food_c)))


def grown(model: GrowthModel, t_ms: IntArray, food_c: FloatArray) -> FloatArray:
    """Return growth within each pair of neighbours, in the model's own unit."""
    hours, left, right = pairs(t_ms, food_c)
    mean = np.zeros(hours.shape)
    low, high, share = _above_tmin(left, right, model.tmin_c)
    middle, half = (low + high) / 2, (high - low) / 2
    for node, weight in zip(GAUSS_NODES, GAUSS_WEIGHTS, strict=True):
        mean += share * weight / 2 * model.rate(middle + half * node)
    return np.asarray(mean * hours)


def pairs(t_ms: IntArray, food_c: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return hours, first and last temperature of each pair of neighbours."""
    if t_ms.shape != food_c.shape:
        raise ValueError(f"{t_ms.size} times for {food_c.size} temperatures")
    hours = np.diff(t_ms) / HOUR_MS
    if bool(np.any(hours < 0)) or not bool(np.all(np.isfinite(food_c))):
        raise ValueError("times must not fall and temperatures be finite")
    return hours, food_c[:-1], food_c[1:]


def _above_tmin(
    left: FloatArray, right: FloatArray, tmin_c: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return both ends and the share of time of the part of each line above Tmin."""
    low, high = np.minimum(left, right), np.maximum(left, right)
    swing = high - low
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(swing > 0, (high - tmin_c) / swing, np.where(low > tmin_c, 1.0, 0.0))
    return np.maximum(low, tmin_c), np.maximum(high, tmin_c), np.clip(share, 0.0, 1.0)
