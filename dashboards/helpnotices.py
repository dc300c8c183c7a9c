"""What notices are, how urgent they are and how many come, and what that does not know."""

from dashboards.helpfood import Help
from dashboards.language import FoodPhrase, Phrase

NOTICES: dict[str, Help] = {
    "notice": Help(
        Phrase("Notice"),
        FoodPhrase(
            "Something that needs a person, one for each cause: cabinets on a dead battery share it. "
            "Taking it says that somebody has seen it; it changes no verdict. Put aside it comes back at "
            "its end; what food hangs on cannot be put aside."
        ),
        Phrase(
            "States after ANSI/ISA-18.2-2016 and IEC 62682, from memory, and OPC UA Part 9 v1.05, 5.8.17; "
            "delays are judgement."
        ),
        Phrase("Whether whoever took it has done anything: that is written where it was done."),
    ),
    "notice_priority": Help(
        Phrase("How urgent a notice is"),
        FoodPhrase(
            "By what comes of it and the time left: act now where food waits for a decision, nothing is "
            "judged, or an hour is left; act soon where four hours are left or nothing is known of a "
            "cabinet; the rest is planned."
        ),
        Phrase("The order of consequences and the hours are judgement."),
        Phrase("How long it takes to get there."),
    ),
    "notice_rates": Help(
        Phrase("How much is told"),
        Phrase(
            "Notices of the last seven days, each time one was told, came back or got worse, for each "
            "role; of cooks for each camp. Too many, and nobody looks any more."
        ),
        Phrase("The lines of the notices; what is bearable with its source in its row."),
        Phrase("Whether messages sent out of the house reached anybody."),
    ),
}
