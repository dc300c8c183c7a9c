"""Medicine kept cold, and drinks: no food law, so every line says what it is worth."""

from dataclasses import dataclass
from typing import Any

from services.analytics.food.rulebook.clause import Clause

LABEL_RULE = "medicine-2-8"
ALARM_RULE = "who-vaccine-alarm"
DRINKS_RULE = "drinks"
ASK = "quarantine, keep at 2 to 8 °C, ask the pharmacist"
_LABEL = "2 to 8 °C as printed on the label (common practice, no source); 60 min is a judgement, no source"
_ALARM = "WHO PQS category E006, alarm of vaccine refrigerators"
_COMMON: dict[str, Any] = {
    "food_classes": ("medicine",),
    "quantity": "core",
    "unit": "°C",
    "starts": "whenever it is kept",
    "section": "",
    "read_on": "2026-11-25",
    "at_limit": "quarantine and ask; never thrown away by this service",
}


@dataclass(frozen=True, slots=True)
class MedicineLine:
    """A clause with the minutes beyond it that lead to a hold."""

    rule: str
    clause: Clause
    hold_min: float
    source: str
    words: str
    at_counts: bool = False
    """True where a reading on the limit counts as beyond it."""

    @property
    def below(self) -> bool:
        """Whether time under the limit counts."""
        return self.clause.operator == ">="


LINES = (
    MedicineLine(
        rule=LABEL_RULE,
        clause=Clause(
            id="medicine-2-8/frost",
            operator=">=",
            limit=0.0,
            counts="every minute below 0 °C",
            read="no source",
            edition="",
            **_COMMON,
        ),
        hold_min=1.0,
        source="many medicines are ruined by freezing (common practice, no source)",
        words=f"may have frozen: {ASK}",
    ),
    MedicineLine(
        rule=ALARM_RULE,
        clause=Clause(
            id="who-vaccine-alarm/cold",
            operator=">=",
            limit=-0.5,
            counts="minutes at -0.5 °C or less; the alarm means one unbroken stretch, here all are added up",
            read="read in a secondary copy",
            edition="30-day recorders, as told in a humanitarian logistics guide; E006/TR07 prints it too",
            **_COMMON,
        ),
        hold_min=60.0,
        source=f"{_ALARM}: -0.5 °C or less for 60 min (read in a secondary copy); not made for insulin or "
        "antivenom",
        words=f"may have frozen: {ASK}",
        at_counts=True,
    ),
    MedicineLine(
        rule=LABEL_RULE,
        clause=Clause(
            id="medicine-2-8/warm",
            operator="<=",
            limit=8.0,
            counts="every minute above 8 °C",
            read="no source",
            edition="",
            **_COMMON,
        ),
        hold_min=60.0,
        source=_LABEL,
        words=ASK,
    ),
    MedicineLine(
        rule=LABEL_RULE,
        clause=Clause(
            id="medicine-2-8/cold",
            operator=">=",
            limit=2.0,
            counts="every minute below 2 °C",
            read="no source",
            edition="",
            **_COMMON,
        ),
        hold_min=60.0,
        source=_LABEL,
        words=ASK,
    ),
    MedicineLine(
        rule=ALARM_RULE,
        clause=Clause(
            id="who-vaccine-alarm/warm",
            operator="<=",
            limit=8.0,
            counts="minutes above 8 °C; the alarm means one unbroken stretch, here all are added up",
            read="from memory",
            edition="30-day recorders",
            **_COMMON,
        ),
        hold_min=600.0,
        source=f"{_ALARM}: above +8 °C for 10 h (from memory); not made for insulin or antivenom",
        words=f"warm for as long as a vaccine alarm waits: {ASK}",
    ),
)
"""Frost first: of equal verdicts the first reason is the one that is read."""
