"""What every verdict, number and chart is: for the "?" beside it and for the page of them all."""

from dashboards.helpadmin import ADMIN
from dashboards.helpcompare import COMPARE
from dashboards.helpfood import FOOD, PEOPLE, Help
from dashboards.helphealth import HEALTH
from dashboards.helpnotices import NOTICES
from dashboards.helpreadings import READINGS
from dashboards.helptests import TESTS
from dashboards.helpworkshop import WORKSHOP
from dashboards.language import Phrase

_ESTIMATE = Phrase("Estimate of this project; thresholds without a published source are judgement.")

POWER: dict[str, Help] = {
    "battery": Help(
        Phrase("Battery"),
        Phrase(
            "Until when to plan on cooling: one battery in ten would stop before. The likely time is "
            "the middle."
        ),
        Phrase(
            "Voltage and running of the unit's own log, charging by its usual hours. Estimate of this"
            " project; thresholds without a source are marked as judgement where they stand."
        ),
        Phrase("Clouds, detours and loads that begin only now."),
    ),
    "chance": Help(
        Phrase("Chance of lasting"),
        Phrase(
            "Of a hundred futures drawn from this battery's own habits, in how many it still runs at "
            "that moment. Below nine in ten somebody should act (judgement)."
        ),
        Phrase("The unit's readings of the last seven days and the bank as the fleet file describes it."),
        Phrase("Habits that change today."),
    ),
    "engine": Help(
        Phrase("Engine may not start"),
        Phrase(
            "When a bank that also starts the engine may be too low for that; it comes before the "
            "cabinet stops."
        ),
        Phrase(
            "The bank's voltage and kind as described. Estimate of this project; thresholds without a"
            " source are marked as judgement where they stand."
        ),
        Phrase("Cold, age of the starter, and what else draws from the bank."),
    ),
    "charge": Help(
        Phrase("Charge"),
        Phrase("How full the bank is: eight times in ten it lies in this range."),
        Phrase(
            "Counted from what the cabinets drew, corrected where the battery stood at rest; curves "
            "of rest voltage are named with the cut-outs."
        ),
        Phrase("Loads that no unit measures."),
    ),
    "ohm": Help(
        Phrase("Source resistance"),
        Phrase(
            "Resistance between battery and unit, both ways, joints and battery included: what the "
            "voltage falls by when the compressor starts to draw."
        ),
        Phrase("Steps of the unit's own voltage, at the current it draws or is rated for."),
        Phrase("Which joint it is: that has to be felt and measured."),
    ),
    "full": Help(
        Phrase("Last full"),
        Phrase("Days since the bank was seen fully charged."),
        Phrase("Voltage held high and current that died away, in the unit's readings."),
        Phrase("Charging while the unit was silent."),
    ),
    "holds": Help(
        Phrase("Holds now"),
        Phrase("What the bank can give today from full to empty, against what its label says."),
        Phrase(
            "Learned from deep days of the log. Estimate of this project; thresholds without a source"
            " are marked as judgement where they stand."
        ),
        Phrase("Days that were too shallow to learn from."),
    ),
    "path": Help(
        Phrase("Way from the battery"),
        Phrase("What cable and joints cost, against a sound set of the described length and section."),
        Phrase("Cable by IEC 60228, class 5, at 40 °C; good joints by common practice."),
        Phrase("Length and section where the fleet file does not give them."),
    ),
    "battery_why": Help(
        Phrase("Battery not described"),
        Phrase("Without the bank and readings of voltage nothing is said of it."),
        Phrase("The fleet file."),
        Phrase("Everything about the bank."),
    ),
    "energy": Help(
        Phrase("Charge out and in"),
        Phrase("Charge the cabinets drew from the bank, and what charged it, by UTC day."),
        Phrase(
            "Running times and the unit's current, measured or rated; sources are told apart by "
            "voltage and hour."
        ),
        Phrase("Other loads on the bank."),
    ),
    "moves": Help(
        Phrase("What would move it"),
        Phrase("What somebody could do now, and by how many hours the early end of the forecast would move."),
        Phrase("The same forecast, worked out again with that change."),
        Phrase("Whether there is fuel, time or room for it."),
    ),
    "cutouts": Help(
        Phrase("Cut-outs"),
        Phrase(
            "Times when the compressor wanted to run and was stopped for want of voltage, each with "
            "its likely cause."
        ),
        Phrase("Voltage under load and at rest around the stop; thresholds are told with the evidence."),
        Phrase("Causes that look alike from a unit's own terminals: probable is written where it is."),
    ),
    "findings": Help(
        Phrase("Findings"),
        Phrase(
            "Slow changes that the workshop should look at, each with what to check. Never a bare diagnosis."
        ),
        Phrase("Trends in the unit's readings; each threshold is told with its source."),
        Phrase("What only a hand and a meter can find."),
    ),
    "night": Help(
        Phrase("Will it last"),
        Phrase(
            "The bank's worst cabinet: stopped now, will not last (less than an even chance), may not"
            " last (less than nine in ten), lasts, or not known."
        ),
        Phrase(
            "Chance of running to dawn, or to the time asked for; without one, 12 h. Estimate of this"
            " project; thresholds without a source are marked as judgement where they stand."
        ),
        Phrase("Units that are silent: of them nothing good is said."),
    ),
    "leave": Help(
        Phrase("Which vehicles may leave"),
        Phrase(
            "Yes when every cabinet in use is cold by its verdict and by a fresh reading, and nine "
            "batteries in ten would last until the time asked for, without the engine."
        ),
        Phrase("The verdict, the newest reading and the battery forecast of each cabinet."),
        Phrase("The vehicle itself, and food nobody wrote down."),
    ),
    "trip": Help(
        Phrase("Does the plan hold"),
        Phrase(
            "Nine in ten of 200 drawn courses of the trip come through without a cut-out and with "
            "food under its limit."
        ),
        Phrase(
            "Banks and cabinets as described or learned, the stops of the trip, sun and heat of the "
            "season. Estimate of this project; thresholds without a source are marked as judgement "
            "where they stand."
        ),
        Phrase("Breakdowns, and loads that are not in the trip."),
    ),
    "bank_course": Help(
        Phrase("Course of a bank"),
        Phrase(
            "Charge hour by hour: the band holds eight of ten drawn trips, the line is the middle, "
            "dashed is where its cabinets cut out."
        ),
        Phrase("The planned driving, mains and sun, and what the cabinets draw in that heat."),
        Phrase("Clouds of those very days."),
    ),
    "food_course": Help(
        Phrase("Course of a cabinet"),
        Phrase(
            "Its warmest food hour by hour: the band holds eight of ten drawn trips, dashed is the "
            "food's limit."
        ),
        Phrase("The cabinet's heat gain and cooling, as learned or assumed."),
        Phrase("How often its lid will be opened."),
    ),
    "warm_load": Help(
        Phrase("What warm food costs"),
        Phrase("The charge it takes to bring down what is put in warm, and how long that takes."),
        Phrase("Weight and temperature as given; heat of food by its kind. The rest is an estimate."),
        Phrase("How it is packed, and whether it stands in the way of the air."),
    ),
    "hourly": Help(
        Phrase("Hour by hour"),
        Phrase("The ends of the bands of the pictures above, as numbers: charge of banks and warmest food."),
        Phrase("The same 200 drawn courses of the trip."),
        Phrase("Moments between two full hours."),
    ),
    "changes": Help(
        Phrase("What would make it hold"),
        Phrase("The same trip worked out again with one change at a time; faint ones are not enough alone."),
        Phrase("The same 200 drawn courses."),
        Phrase("What a change costs."),
    ),
}

WORK: dict[str, Help] = {
    "by": Help(
        Phrase("By when, who"),
        Phrase("The soonest moment after which it gets worse, and the role that is closest to it."),
        Phrase(
            "Food at risk and battery forecast, else at once; the order of the page is decision of "
            "this project."
        ),
        Phrase("Who is on duty."),
    ),
    "task": Help(
        Phrase("What to do, and why"),
        Phrase(
            "The next step for whoever goes there, then the reason of the verdict and since when it stands."
        ),
        Phrase("The verdict, the cut-out's likely cause and the battery's moves."),
        Phrase("What was done already and not written down."),
    ),
    "written": Help(
        Phrase("Written down"),
        Phrase(
            "When the line was written down here, by the clock of the place; below it the moment it "
            "is about, where that was earlier."
        ),
        Phrase("The clock of this box; beside it the same in UTC."),
        Phrase("Why somebody wrote it down later."),
    ),
    "who": Help(
        Phrase("Who"),
        Phrase(
            "A person's name where a person did it; verified when that person had logged in, else "
            "picked from a list. Readings work out verdicts without anybody."
        ),
        PEOPLE,
        Phrase("Who held the phone, where a name was picked."),
    ),
    "what": Help(
        Phrase("What happened"),
        Phrase(
            "A verdict that changed, or something said of a cabinet or of food. A correction is a "
            "line of its own that names the line it corrects."
        ),
        PEOPLE,
        Phrase("What nobody wrote down."),
    ),
    "amount": Help(
        Phrase("Amount"),
        Phrase("What was written down when it was put in, less what went elsewhere."),
        PEOPLE,
        Phrase("Amounts nobody wrote down: ask there."),
    ),
    "state": Help(
        Phrase("State"),
        Phrase("Thrown away, or on hold so that it may have to be."),
        Phrase("What people said, and the verdict that stands."),
        Phrase("Food thrown away without a word."),
    ),
    "bring": Help(
        Phrase("Bring"),
        Phrase("The sum by kind of food of what was thrown away in this place since that day."),
        PEOPLE,
        Phrase("Plans for the coming days."),
    ),
    "map": Help(
        Phrase("Map"),
        Phrase(
            "Places as the fleet file gives them and vehicles where positions are switched on, "
            "rounded to about five kilometres."
        ),
        Phrase("The house's own map file, and the newest position of the last day."),
        Phrase("Where a silent vehicle is."),
    ),
    "timer": Help(
        Phrase("Timer"),
        Phrase("How long food stands out, cools down or thaws, and what it must reach by when."),
        Phrase("The text named beside it; it began when somebody said so."),
        Phrase("What was not said."),
    ),
    "box": Help(
        Phrase("Parts of this box"),
        Phrase("Whether each program of this box still works: each leaves a sign of life every few seconds."),
        Phrase("The sign files in the data folder."),
        Phrase("Faults of the machine it does not notice."),
    ),
    "kept_aside": Help(
        Phrase("Kept and not taken"),
        Phrase("What units sent that nobody has added, or that could not be read."),
        Phrase("The store of readings: nothing of it counts in a verdict."),
        Phrase("Whether it is one of yours."),
    ),
}
GROUPS: tuple[tuple[Phrase, dict[str, Help]], ...] = (
    (Phrase("Food"), FOOD),
    (Phrase("Power"), POWER),
    (Phrase("Workshop"), {**WORKSHOP, **HEALTH, **COMPARE, **TESTS}),
    (Phrase("Notices"), NOTICES),
    (Phrase("Readings"), READINGS),
    (Phrase("Who, when, where"), {**WORK, **ADMIN}),
)
HELPS: dict[str, Help] = {key: told for _, group in GROUPS for key, told in group.items()}


class Asked:
    """What one page explains: each "?" on it asks, and the page tells all that was asked at its end."""

    def __init__(self) -> None:
        """Begin with nothing."""
        self.told: dict[str, Help] = {}

    def __call__(self, key: str, *more: str) -> Help:
        """Return the explanation of a key and remember it, with more that may be asked for later."""
        self.told.update((each, HELPS[each]) for each in (key, *more))
        return HELPS[key]
