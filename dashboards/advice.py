"""What to do now, in numbered steps; advice that never hurts, and none that needs a guess."""

from collections.abc import Sequence

from dashboards import foodwords, text
from dashboards.language import FoodLines, FoodPhrase, food
from dashboards.places import Larder, Place, colder_places, own_standing
from dashboards.urgency import battery_fails_tonight
from services.domain import BatchCard, UnitCard, Verdict

_CHARGE = FoodPhrase("Charge the battery: mains, or engine or generator in the open air (exhaust kills).")

_MEDICINE = FoodLines(
    "Medicine: do not use it and do not throw it away; put it in quarantine, marked.",
    "Keep it at %(low)s to %(high)s.",
    "Ask the pharmacist, with the times shown here.",
    low=2,
    high=8,
)

_ONE_BATCH = (
    FoodPhrase("Do not cook or serve the food named here; its own page says what to do."),
    foodwords.TAPE_STEP,
    FoodPhrase("Use other food from this cabinet only where it is listed as usable."),
)

_USE_UP = FoodLines(
    "It may not go back into the cold.",
    "Stop serving and ask the manager now: use it up at once, or discard it; the time below is the last.",
    "Measure it with a clean probe, then close the hold below.",
)

_GO_AND_LOOK = FoodPhrase("Go and look: is it running, is the plug in, is the lid shut?")


def _silent(card: UnitCard) -> bool:
    heard_ms = card.observed_at
    return heard_ms is None or card.as_of - heard_ms > text.past_limit_ms(card)


def _move(places: Sequence[Place], what: str) -> str:
    if not places:
        return food("%(what)s No other cold cabinet is known here: use ice, lid shut.", what=what)
    return food(
        "%(what)s Cold now: %(places)s.", what=what, places=", ".join(place.words for place in places[:2])
    )


def _medicine(card: UnitCard) -> list[str]:
    if "medicine" not in card.classes or card.standing.rank < Verdict.HOLD.rank:
        return []
    return list(_MEDICINE)


def _not_known(card: UnitCard) -> list[str]:
    if card.backlog_expected:
        first = food("Readings are on their way; until they are here nothing is known. Go and look.")
    else:
        first = _GO_AND_LOOK()
    return [
        first,
        food("Measure the warmest food with a clean probe and write the reading down."),
        food("Serve nothing from it on its look or smell."),
    ]


def steps(card: UnitCard, larder: Larder) -> list[str]:
    """Return what to do now with a cabinet and its food."""
    if text.is_resting(card, card.standing):
        return [
            food("Not in use: nothing in it is judged. Put no food in before it is cold and in use again.")
        ]
    medicine = _medicine(card)
    if medicine and not text.holds_food(card.classes):
        return medicine
    others = _food(card, larder)
    if not medicine:
        return others
    return [
        *medicine,
        food("All other food: %(what)s", what=f"{others[0][:1].lower()}{others[0][1:]}"),
        *others[1:],
    ]


def _food(card: UnitCard, larder: Larder) -> list[str]:
    """Return what to do with a cabinet and what is not medicine in it."""
    inside = larder.inside(card.unit)
    places = colder_places(
        card, larder, classes=[b.batch.food_class for b in inside if not b.batch.ready_to_eat]
    )
    found = []
    if card.cut_out_now and card.state == "in_use":
        found = [food("It has stopped cooling. Keep the lid shut."), _CHARGE()]
    charge = [_CHARGE()] if not found and card.state == "in_use" and battery_fails_tonight(card) else []
    if own_standing(card).rank < Verdict.NO_DATA.rank and card.standing.rank >= Verdict.HOLD.rank:
        return [*(each() for each in _ONE_BATCH), *found, *charge]
    match _of_the_cabinet(card):
        case Verdict.DISCARD_ADVISED:
            return [
                foodwords.NOT_MENDED(),
                foodwords.TAPE_STEP(),
                food("%(discard)s Then close the hold below.", discard=foodwords.DISCARD_STEP),
                *found,
            ]
        case Verdict.HOLD:
            return [
                food("Do not cook or serve from this cabinet."),
                *([_GO_AND_LOOK()] if _silent(card) else []),
                _move(places, food("Tape the food and set it apart below other food, cold.")),
                foodwords.PROBE_STEP(),
                food("Ask the manager, then close the hold below."),
                *found,
            ]
        case Verdict.NO_DATA:
            return [*_not_known(card), *found]
        case Verdict.WATCH:
            return [
                *found,
                food("Keep the lid shut and check that it runs."),
                _move(places, food("If it is not colder in 20 minutes, move the food.")),
                *charge,
            ]
        case Verdict.OK:
            return [*found, *charge] or [food("Nothing to do. Open it seldom, shut it fast.")]


def _of_the_cabinet(card: UnitCard) -> Verdict:
    """Return the verdict that asks for something of the cabinet: a batch to watch asks nothing of it."""
    own = own_standing(card)
    return own if card.standing is Verdict.WATCH and own is Verdict.OK else card.standing


def batch_steps(card: BatchCard, verdict: Verdict, places: Sequence[Place]) -> list[str]:
    """Return what to do now with one batch, told the verdict that counts and where it could go."""
    if card.batch.place == "gone":
        return []
    if card.batch.food_class == "medicine" and verdict.rank >= Verdict.HOLD.rank:
        return list(_MEDICINE)
    if verdict.rank >= Verdict.HOLD.rank:
        return _held(card, verdict, places)
    if card.dates == "past":
        return [
            food("Do not cook or serve it."),
            foodwords.DISCARD_STEP(),
            food("Then say below that it was discarded."),
        ]
    if verdict is Verdict.NO_DATA:
        return [*_not_known_batch(card), food("Serve none of it on its look or smell.")]
    return [*_use(card), *_chill(card, verdict, places)]


def _held(card: BatchCard, verdict: Verdict, places: Sequence[Place]) -> list[str]:
    if verdict is Verdict.DISCARD_ADVISED:
        return [
            foodwords.NOT_MENDED(),
            foodwords.TAPE_STEP(),
            foodwords.DISCARD_STEP(),
            food("Then close the hold below: discarded."),
        ]
    if card.batch.place == "out" and any(t.kind == "out" and t.verdict is verdict for t in card.timers):
        return list(_USE_UP)
    return [
        food("Do not cook or serve it."),
        _move(places, food("Tape it and set it apart below other food, cold.")),
        foodwords.PROBE_STEP(),
        food("Ask the manager, then close the hold below."),
    ]


def _not_known_batch(card: BatchCard) -> list[str]:
    where = (
        [food("Look at its cabinet: is it running, is the lid shut?")] if card.batch.place == "stored" else []
    )
    return [*where, food("Measure its core with a clean probe and write the reading down.")]


def _cools(card: BatchCard) -> bool:
    return any(timer.kind == "cooling" for timer in card.timers)


def _use(card: BatchCard) -> list[str]:
    if card.batch.food_class == "medicine":
        return [_MEDICINE[1]]
    if card.batch.food_class == "drinks":
        return []
    if card.batch.place == "out":
        return [foodwords.BY_TIME_STEP() if foodwords.by_time(card) else foodwords.OUT_STEP()]
    if _cools(card):
        return [food("Cool it fast: shallow dishes, lid off, in ice. Probe the core by the time below.")]
    if card.batch.ready_to_eat or card.cook_to_c is None:
        return [text.sentence(card.cook_to_why)]
    target = text.sentence(foodwords.cook_to(card.cook_to_c))[:-1]
    return [food("%(target)s; measure the thickest piece with a clean probe.", target=target)]


def _chill(card: BatchCard, verdict: Verdict, places: Sequence[Place]) -> list[str]:
    stored = card.batch.place == "stored" and card.batch.food_class != "medicine"
    if verdict is not Verdict.WATCH or not stored or _cools(card):
        return []
    return [_move(places, food("Use it first. If its cabinet is not colder in 20 minutes, move it."))]
