"""One probe in one piece of food, held against the documents chosen for it."""

from typing import Literal

from services.domain._analysis import Evidence
from services.domain._frozen import Frozen
from services.domain._reasoned import Instant


class SpotCheck(Frozen):
    """What one document says of one piece of food at the moment a person measured it."""

    t: Instant
    rule: str
    core_c: float
    surface_c: float | None
    compliant: Literal["yes", "no", "unknown"]
    """Whether the document was kept at that moment; it tells nothing of the time before."""
    reasons: tuple[Evidence, ...]
    source: str
    why: str
