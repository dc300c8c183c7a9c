"""What every verdict and number of food is, from what, by which source, and what it does not know."""

from dataclasses import dataclass

from dashboards.language import FoodPhrase, Phrase


@dataclass(frozen=True, slots=True)
class Help:
    """One explanation."""

    title: Phrase
    words: Phrase
    """What it is, from which data."""
    source: Phrase
    unknown: Phrase
    """What it does not know."""


PEOPLE = Phrase("The records: lines are only ever added.")

FOOD: dict[str, Help] = {
    "verdict": Help(
        Phrase("Verdict"),
        FoodPhrase(
            "The worst of all clocks that run on the food of a cabinet or batch, from its readings "
            "over the last 72 h. Not known outranks cold: without readings nobody may call it cold."
        ),
        Phrase(
            "The rule set chosen for the place; how minutes become watch, hold and discard is told "
            "with each rule."
        ),
        FoodPhrase(
            "What nobody measured or wrote down. It is advice: local code and a probe in the food come first."
        ),
    ),
    "computed": Help(
        Phrase("Computed now"),
        FoodPhrase(
            "What the readings alone say at this moment. What stands beside it is the worst hold or "
            "discard since a named person last signed: only a named person lowers it."
        ),
        Phrase("Decision of this project: a hold does not pass by itself when the cabinet gets cold again."),
        FoodPhrase("Whether the food was looked at meanwhile."),
    ),
    "todo": Help(
        Phrase("What to do"),
        FoodPhrase(
            "The advice of this service, by the strictest of the clocks and limits. It is another "
            "question than what the law says."
        ),
        Phrase(
            "Decision of this project, told with each rule below; where a document gives a time, that"
            " document."
        ),
        FoodPhrase("What else happened to the food before it came here."),
    ),
    "law": Help(
        Phrase("The law"),
        FoodPhrase(
            "Whether the text of the chosen rule set was kept, from readings and what people wrote "
            "down: yes, no or not known. A limit without a time in it is broken by one minute."
        ),
        Phrase(
            "The rule's document and section, named beside it (for instance R638 of 22 June 2018, "
            "Annexure E)."
        ),
        FoodPhrase("Local texts nobody has entered. It is not legal advice."),
    ),
    "warm": Help(
        Phrase("Warm time"),
        FoodPhrase(
            "Minutes food stood beyond the limit that decides, added up over the last 72 h or since "
            "somebody emptied the cabinet; of a batch, its whole life. It never goes down when it "
            "gets cold again."
        ),
        Phrase("Modelled food from the cabinet's readings, or a probe in it; the limit is the rule set's."),
        FoodPhrase("Minutes without readings: they are told beside it and count in the worst case."),
    ),
    "unknown_time": Help(
        Phrase("Not known"),
        FoodPhrase(
            "Time without a reading that can be trusted, so that nobody can tell whether the food was warm."
        ),
        Phrase("Gaps between readings, and stretches in which the sensor was in doubt."),
        FoodPhrase(
            "That is all it says: it counts towards hold, never towards discard (decision of this project)."
        ),
    ),
    "worst": Help(
        Phrase("At worst"),
        FoodPhrase("The minutes above the limit if the food had been warm in every minute nobody knows of."),
        Phrase("The sum of the minutes above and the minutes not known."),
        FoodPhrase("How likely that is."),
    ),
    "limit": Help(
        Phrase("Limit"),
        FoodPhrase(
            "The temperature food of this kind has to keep by the rule, or the tighter one of the house."
        ),
        Phrase("The rule set's document and section, told in the row."),
        FoodPhrase("Whether the rule set that was chosen is the one that holds where the vehicle stands."),
    ),
    "basis": Help(
        Phrase("Judged on"),
        FoodPhrase(
            "Whether a probe in food, food modelled from the air, or the air alone was held against "
            "the limit. Air alone raises at most watch, after 30 min without a break."
        ),
        Phrase(
            "Modelled food follows the air with the time food of that size needs; decision of this project."
        ),
        FoodPhrase("The true size and packing of what lies inside."),
    ),
    "peak": Help(
        Phrase("Highest"),
        FoodPhrase(
            "The highest temperature on that basis since the clock began; of frozen food the warmest."
        ),
        Phrase("Every reading, not a thinned chart."),
        FoodPhrase("Warmer moments between two readings."),
    ),
    "exposure": Help(
        Phrase("Time above each limit"),
        FoodPhrase(
            "One line for each rule and basis: how long, how warm, what the law and what we say to it."
        ),
        Phrase("The rule's document and section, told in the line."),
        FoodPhrase("Food that was never in this cabinet, or came warm without a word."),
    ),
    "evidence": Help(
        Phrase("What it rests on"),
        FoodPhrase("Both numbers of each comparison: what was found and the threshold it was held against."),
        Phrase(
            "The source of the threshold stands in the row; judgement means that no published number "
            "was found."
        ),
        FoodPhrase("Causes nobody has thought of."),
    ),
    "texts": Help(
        Phrase("After warming"),
        FoodPhrase(
            "What published texts answer for this food after it warmed or stood without power, each "
            "by itself. It lowers no verdict."
        ),
        Phrase("The text is named beside each answer."),
        FoodPhrase("How the food looked, felt and was packed."),
    ),
    "core": Help(
        Phrase("Core now"),
        FoodPhrase(
            "How warm the food is inside: a probe reading if there is a fresh one, else modelled from"
            " the cabinet's air."
        ),
        Phrase("The newest probe reading somebody wrote down, and the cabinet's readings since."),
        FoodPhrase("The true size of the piece and where it lies."),
    ),
    "marks": Help(
        Phrase("Above other marks"),
        FoodPhrase("Minutes above marks that texts on thawed food ask about: -18, -15, -12, -5 and 0 °C."),
        Phrase("The same modelled food as the warm time."),
        FoodPhrase("Minutes without readings."),
    ),
    "spot": Help(
        Phrase("Probe reading and the law"),
        FoodPhrase("One reading by hand, core and surface, held against each text for that moment only."),
        Phrase("The document and section named beside it."),
        FoodPhrase("How long the food has been that warm."),
    ),
    "date": Help(
        Phrase("Date"),
        FoodPhrase(
            "The use-by day printed by the maker, and the last day counted from opening or cooking, "
            "which is day 1."
        ),
        Phrase("The day somebody wrote down; the rule that counts is named on the page of the batch."),
        FoodPhrase("Dates nobody wrote down."),
    ),
    "order": Help(
        Phrase("Order of use"),
        FoodPhrase(
            "What to use first: the least time left by date, warm time and kind of food. It orders, "
            "it releases nothing."
        ),
        Phrase(
            "Growth and spoilage rates of published models, named on the page of the batch; the "
            "weighing is judgement."
        ),
        FoodPhrase("Smell, look and packing."),
    ),
    "risk": Help(
        Phrase("Food at risk from"),
        FoodPhrase(
            "When the warmest food may pass its limit if the cabinet stops as forecast; the early end"
            " of the range leads."
        ),
        Phrase(
            "Run-out of the battery, then how fast this cabinet warmed in its own readings. Estimate "
            "of this project; thresholds without a source are marked as judgement where they stand."
        ),
        FoodPhrase("Lids left open and food put in warm from now on."),
    ),
    "batches": Help(
        Phrase("Food in it"),
        FoodPhrase(
            "What people wrote down that lies in the cabinet, with clocks that follow the food from "
            "place to place."
        ),
        PEOPLE,
        FoodPhrase("Food nobody wrote down: for that the clock of the cabinet counts."),
    ),
}
