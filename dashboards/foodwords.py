"""All words of the pages about batches of food, with the published source beside every number."""

import math

from dashboards.language import FoodPhrase, FoodTable, Table, food, in_scale, msg, scale, with_mark
from services.domain import BatchCard, BatchTemplate, FoodClass, FoodQuestion

CLASSES: Table[FoodClass] = Table(
    {
        "poultry": "poultry",
        "fish": "fish and shellfish",
        "offal": "offal",
        "mince": "mince, burgers, sausages",
        "red_meat": "red meat in the piece",
        "game": "game meat",
        "milk": "milk",
        "cooked": "cooked food",
        "other_chilled": "other chilled food",
        "frozen_fish": "frozen fish",
        "ice_cream": "ice cream",
        "frozen_other": "other frozen food",
        "drinks": "drinks",
        "medicine": "medicine",
        "unknown": "not known",
    }
)
FROZEN_CLASSES: frozenset[FoodClass] = frozenset({"frozen_fish", "ice_cream", "frozen_other"})
RAW_CLASSES: frozenset[FoodClass] = frozenset(
    {"poultry", "fish", "offal", "mince", "red_meat", "game", "frozen_fish", "frozen_other"}
)
"""Food that drips on other food what only cooking kills; frozen food of unknown kind among it."""

NEVER_COOKED: frozenset[FoodClass] = frozenset({"drinks", "medicine"})

EVENTS: Table[str] = Table(
    {
        "loaded": "put in",
        "moved": "moved",
        "split": "split",
        "probed": "probed",
        "frozen": "frozen",
        "thawed": "thawing begun",
        "opened": "opened",
        "taken_out": "taken out",
        "put_back": "put back",
        "cooling_started": "cooling begun",
        "served": "served",
        "cooked": "cooked",
        "discarded": "discarded",
        "hold_closed": "closed the hold",
        "emptied": "cabinet said emptied",
        "corrected": "corrected",
    }
)

TIMERS: Table[str] = Table(
    {
        "out": "Standing out",
        "cooling": "Cooling down",
        "thawing": "Thawing",
        "time_control": "Held by time alone",
    }
)
BASES: Table[str] = Table({"probe": "by probe", "modelled_food": "worked out from the air around it"})
LAW: Table[str | None] = Table(
    {"yes": "kept", "no": "not kept", "unknown": "not known", None: "no rule applies"}
)

STANDING_OUT = FoodPhrase(
    "Standing out: add up every minute above %(cold)s of its whole life. Under 2 h: use it or chill it "
    "again. 2 to 4 h: never back into the cold; the manager says use it up now, or discard. 4 h: discard it. "
    "In air above %(hot)s: 1 h, not 2.",
    cold=5,
    hot=32,
)
STANDING_OUT_VULNERABLE = FoodPhrase(
    "Standing out: add up every minute above %(cold)s of its whole life. Children, pregnant, old or ill "
    "guests eat here: discard it at 2 h, at 1 h in air above %(hot)s.",
    cold=5,
    hot=32,
)
STANDING_OUT_SOURCE = FoodPhrase(
    "FSANZ, 2 hour / 4 hour rule to Standard 3.2.2 clause 25, read in a copy; heat: USDA FSIS, 1 h above "
    "90 °F, read in secondary copies"
)
COOLING = FoodPhrase(
    "Leftovers: from %(hot)s to %(warm)s within 2 h, then to %(cold)s within 4 h more. Shallow dishes, lid "
    "off, in ice; probe them at 2 h. Too slow: discard.",
    hot=60,
    warm=21,
    cold=5,
)
COOLING_SOURCE = FoodPhrase(
    "FSANZ Standard 3.2.2 clause 7(3), which keeps FDA Food Code 2022, 3-501.14(A), too; "
    "both read in secondary copies"
)

SPOT_NOTE = FoodPhrase("A probe tells of its own moment: time above a limit stays counted.")
BY_TIME = FoodPhrase(
    "Only with a procedure written beforehand, never after a breakdown: taken out at %(cold)s or less, "
    "marked, served or discarded within 4 h; within 6 h when its warmest part stays at %(warm)s or less. "
    "It never goes back.",
    warm=21,
    cold=5,
)
OUT_STEP = FoodPhrase("It stands out: use it by the time below, or put it back while that is allowed.")
BY_TIME_STEP = FoodPhrase(
    "Serve it by the time below, then discard what is left. It never goes back into the cold."
)
BY_TIME_SOURCE = FoodPhrase("US FDA Food Code 2022, 3-501.19, read in secondary copies")
UNRECORDED_COOK = FoodPhrase("Food nobody wrote down, from %(names)s: only what is in date.")
READY = FoodPhrase("ready to eat")
PAST_DATE = FoodPhrase("Past its last day")
DISCARD_STEP = FoodPhrase(
    "Discard it where no animal or person gets it: not to staff, not to pets, not in an open pit."
)
TAPE_STEP = FoodPhrase("Tape it and set it apart, below other food.")
PROBE_STEP = FoodPhrase("Clean the probe, measure the warmest pack, clean it again between packs.")
QUESTIONS: FoodTable[FoodQuestion] = FoodTable(
    {
        "keep": "Keep and use it?",
        "freeze_again": "Freeze it again?",
        "sell_as_frozen": "Sell it as frozen?",
        "presumed_cold": "Presumed cold?",
    }
)
ICE: Table[bool] = Table({True: "ice seen in it", False: "no ice in it"})
ANSWERS: FoodTable[str] = FoodTable({"yes": "Yes, by this text", "no": "No", "unknown": "Not known"})
SHORT_ANSWERS: FoodTable[str] = FoodTable({"yes": "by the text yes", "no": "no", "unknown": "not known"})
ANSWERS_NOTE = FoodPhrase(
    "Where texts differ both stand here, the strictest first; what stands above counts. "
    "A named person decides. Taste and smell prove nothing; when in doubt, discard."
)
NOT_MENDED = FoodPhrase("Do not cook, serve or taste it. Cooking does not mend it.")

KG_PER_L = 0.5
"""Food a cabinet takes per litre, packed so that air gets round it (judgement, no source). [kg/l]"""

TEMPLATES: tuple[BatchTemplate, ...] = (
    BatchTemplate(what=msg("Chicken pieces"), food_class="poultry", piece_kg=0.3),
    BatchTemplate(what=msg("Whole chicken"), food_class="poultry", piece_kg=1.8),
    BatchTemplate(what=msg("Fish"), food_class="fish", piece_kg=0.4),
    BatchTemplate(what=msg("Mince or sausages"), food_class="mince", piece_kg=0.5),
    BatchTemplate(what=msg("Steaks or chops"), food_class="red_meat", piece_kg=0.3),
    BatchTemplate(what=msg("Roast"), food_class="red_meat", piece_kg=2.5),
    BatchTemplate(what=msg("Game meat"), food_class="game", piece_kg=1.0),
    BatchTemplate(what=msg("Milk"), food_class="milk", piece_kg=1.0, ready_to_eat=True),
    BatchTemplate(what=msg("Eggs, cheese, salad"), food_class="other_chilled", piece_kg=0.5),
    BatchTemplate(what=msg("Leftovers, cooked today"), food_class="cooked", piece_kg=1.0, ready_to_eat=True),
    BatchTemplate(what=msg("Frozen fish"), food_class="frozen_fish", piece_kg=0.5),
    BatchTemplate(what=msg("Frozen meat or poultry"), food_class="frozen_other", piece_kg=0.5),
    BatchTemplate(what=msg("Ice cream"), food_class="ice_cream", piece_kg=1.0, ready_to_eat=True),
)
"""What a cook picks from where the fleet file has no list of its own; weights of pieces are judgement."""
MEDICINE = BatchTemplate(what=msg("Medicine"), food_class="medicine")
"""All that goes into a cabinet for medicine."""


AGOS: Table[int] = Table(
    {
        10: "10 min ago",
        30: "half an hour ago",
        60: "1 h ago",
        120: "2 h ago",
        240: "4 h ago",
        480: "8 h ago",
        1440: "a day ago",
    }
)
"""When something happened, as somebody remembers it; a form can say no more than three days. [min]"""

ACTIONS_STORED: Table[str] = Table(
    {
        "taken_out": "Taken out: buffet or kitchen",
        "cooked": "Cooked, all of it",
        "served": "Served, all of it",
        "opened": "Opened today",
        "thawed": "Thawing begun",
        "discarded": "Discarded",
    }
)


def actions_for(place: str, *, frozen: bool, usable: bool) -> list[tuple[str, str]]:
    """Return what can be said of a batch with one tap; what the records would refuse is not offered."""
    never = set() if frozen else {"thawed"}
    if place == "out":
        never.add("taken_out")
    if not usable:
        never |= {"cooked", "served", "taken_out"}
    return [(key, words) for key, words in ACTIONS_STORED.items() if key not in never]


def cools(card: BatchCard) -> bool:
    """Return whether a batch may be cooling after cooking: not what lies frozen, drinks or medicine."""
    batch = card.batch
    return batch.food_class not in NEVER_COOKED and not (batch.frozen and batch.place == "stored")


def by_time(card: BatchCard) -> bool:
    """Return whether a batch is held by time alone."""
    return any(timer.kind == "time_control" for timer in card.timers)


def quantity(amount: float | None, unit: str) -> str:
    """Return an amount with its unit, empty when nobody said it."""
    if amount is None:
        return ""
    shown = with_mark(f"{amount:g}" if amount < 10 else f"{amount:.0f}")  # noqa: PLR2004 - tens need no tenths
    return f"{shown} {unit}"


def cook_to(core_c: float | None) -> str:
    """Return the core temperature to reach, in whole degrees and never fewer."""
    if core_c is None:
        return ""
    whole = math.ceil(round(in_scale(core_c), 6))
    return food("cook to %(temperature)s in the core", temperature=f"{whole} {scale()}")
