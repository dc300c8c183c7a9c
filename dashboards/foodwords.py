"""All words of the pages about batches of food, with the published source beside every number."""

from dashboards import text
from services.domain import BatchCard, BatchTemplate, FoodClass, FoodQuestion

CLASSES: dict[FoodClass, str] = {
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
FROZEN_CLASSES: frozenset[FoodClass] = frozenset({"frozen_fish", "ice_cream", "frozen_other"})
RAW_CLASSES: frozenset[FoodClass] = frozenset(
    {"poultry", "fish", "offal", "mince", "red_meat", "game", "frozen_fish", "frozen_other"}
)
"""Food that drips on other food what only cooking kills; frozen food of unknown kind among it."""

NEVER_COOKED: frozenset[FoodClass] = frozenset({"drinks", "medicine"})

EVENTS: dict[str, str] = {
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

TIMERS = {
    "out": "Standing out",
    "cooling": "Cooling down",
    "thawing": "Thawing",
    "time_control": "Held by time alone",
}
BASES = {"probe": "by probe", "modelled_food": "worked out from the air around it"}
LAW = {"yes": "kept", "no": "not kept", "unknown": "not known", None: "no rule applies"}

STANDING_OUT = (
    "Standing out: add up every minute above 5 °C of its whole life. Under 2 h: use it or chill it again. "
    "2 to 4 h: never back into the cold; the manager says use it up now, or discard. 4 h: discard it. "
    "In air above 32 °C: 1 h, not 2."
)
STANDING_OUT_VULNERABLE = (
    "Standing out: add up every minute above 5 °C of its whole life. Children, pregnant, old or ill guests "
    "eat here: discard it at 2 h, at 1 h in air above 32 °C."
)
STANDING_OUT_SOURCE = (
    "FSANZ, 2 hour / 4 hour rule to Standard 3.2.2 clause 25, read in a copy; heat: USDA FSIS, 1 h above "
    "90 °F, read in secondary copies"
)
COOLING = (
    "Leftovers: from 60 °C to 21 °C within 2 h, then to 5 °C within 4 h more. Shallow dishes, lid off, "
    "in ice; probe them at 2 h. Too slow: discard."
)
COOLING_SOURCE = (
    "FSANZ Standard 3.2.2 clause 7(3), which keeps FDA Food Code 2022, 3-501.14(A), too; "
    "both read in secondary copies"
)

SPOT_NOTE = "A probe tells of its own moment: time above a limit stays counted."
BY_TIME = (
    "Only with a procedure written beforehand, never after a breakdown: taken out at 5 °C or less, marked, "
    "served or discarded within 4 h; within 6 h when its warmest part stays at 21 °C or less. "
    "It never goes back."
)
OUT_STEP = "It stands out: use it by the time below, or put it back while that is allowed."
BY_TIME_STEP = "Serve it by the time below, then discard what is left. It never goes back into the cold."
BY_TIME_SOURCE = "US FDA Food Code 2022, 3-501.19, read in secondary copies"
UNRECORDED_COOK = "Food nobody wrote down, from {names}: only what is in date."
READY = "ready to eat"
PAST_DATE = "Past its last day"
DISCARD_STEP = "Discard it where no animal or person gets it: not to staff, not to pets, not in an open pit."
TAPE_STEP = "Tape it and set it apart, below other food."
PROBE_STEP = "Clean the probe, measure the warmest pack, clean it again between packs."
QUESTIONS: dict[FoodQuestion, str] = {
    "keep": "Keep and use it?",
    "freeze_again": "Freeze it again?",
    "sell_as_frozen": "Sell it as frozen?",
    "presumed_cold": "Presumed cold?",
}
ICE = {True: "ice seen in it", False: "no ice in it"}
ANSWERS = {"yes": "Yes, by this text", "no": "No", "unknown": "Not known"}
SHORT_ANSWERS = {"yes": "by the text yes", "no": "no", "unknown": "not known"}
ANSWERS_NOTE = (
    "Where texts differ both stand here, the strictest first; what stands above counts. "
    "A named person decides. Taste and smell prove nothing; when in doubt, discard."
)
NOT_MENDED = "Do not cook, serve or taste it. Cooking does not mend it."

KG_PER_L = 0.5
"""Food a cabinet takes per litre, packed so that air gets round it (judgement, no source). [kg/l]"""

TEMPLATES: tuple[BatchTemplate, ...] = (
    BatchTemplate(what="Chicken pieces", food_class="poultry", piece_kg=0.3),
    BatchTemplate(what="Whole chicken", food_class="poultry", piece_kg=1.8),
    BatchTemplate(what="Fish", food_class="fish", piece_kg=0.4),
    BatchTemplate(what="Mince or sausages", food_class="mince", piece_kg=0.5),
    BatchTemplate(what="Steaks or chops", food_class="red_meat", piece_kg=0.3),
    BatchTemplate(what="Roast", food_class="red_meat", piece_kg=2.5),
    BatchTemplate(what="Game meat", food_class="game", piece_kg=1.0),
    BatchTemplate(what="Milk", food_class="milk", piece_kg=1.0, ready_to_eat=True),
    BatchTemplate(what="Eggs, cheese, salad", food_class="other_chilled", piece_kg=0.5),
    BatchTemplate(what="Leftovers, cooked today", food_class="cooked", piece_kg=1.0, ready_to_eat=True),
    BatchTemplate(what="Frozen fish", food_class="frozen_fish", piece_kg=0.5),
    BatchTemplate(what="Frozen meat or poultry", food_class="frozen_other", piece_kg=0.5),
    BatchTemplate(what="Ice cream", food_class="ice_cream", piece_kg=1.0, ready_to_eat=True),
)
"""What a cook picks from where the fleet file has no list of its own; weights of pieces are judgement."""
MEDICINE = BatchTemplate(what="Medicine", food_class="medicine")
"""All that goes into a cabinet for medicine."""


AGOS: tuple[tuple[int, str], ...] = (
    (10, "10 min ago"),
    (30, "half an hour ago"),
    (60, "1 h ago"),
    (120, "2 h ago"),
    (240, "4 h ago"),
    (480, "8 h ago"),
    (1440, "a day ago"),
)
"""When something happened, as somebody remembers it; a form can say no more than three days. [min]"""

ACTIONS_STORED: tuple[tuple[str, str], ...] = (
    ("taken_out", "Taken out: buffet or kitchen"),
    ("cooked", "Cooked, all of it"),
    ("served", "Served, all of it"),
    ("opened", "Opened today"),
    ("thawed", "Thawing begun"),
    ("discarded", "Discarded"),
)


def actions_for(place: str, *, frozen: bool, usable: bool) -> list[tuple[str, str]]:
    """Return what can be said of a batch with one tap; what the records would refuse is not offered."""
    never = set() if frozen else {"thawed"}
    if place == "out":
        never.add("taken_out")
    if not usable:
        never |= {"cooked", "served", "taken_out"}
    return [(key, words) for key, words in ACTIONS_STORED if key not in never]


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
    shown = f"{amount:g}" if amount < 10 else f"{amount:.0f}"  # noqa: PLR2004 - tens need no tenths
    return f"{shown} {unit}"


def cook_to(core_c: float | None) -> str:
    """Return the core temperature to reach, in whole degrees and never fewer."""
    if core_c is None:
        return ""
    whole = int(core_c) if core_c == int(core_c) else int(core_c) + 1
    return f"cook to {text.number(whole, 0)} °C in the core"
