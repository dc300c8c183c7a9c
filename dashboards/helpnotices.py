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
            "By what comes of it and the time left: act now where food measured too warm waits for a "
            "decision, nothing is judged, or food passes its limit within the hour; act soon where four "
            "hours are left, where nothing was heard of a cabinet for four hours, or of one that was warm, "
            "where food waits for a decision because nothing is known of it (in a vehicle, once it may have "
            "warmed without power), and where a cabinet stays warm after its food went; the rest is "
            "planned, among it food that waits and was found cold once its cabinet was heard again."
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
    "reach_chain": Help(
        Phrase("Who hears next"),
        Phrase(
            "A notice goes to whom it is for, and, as long as nobody takes it, to the next after so many "
            "minutes; the last step is everybody. One that says act soon takes six times as long, and where "
            "somebody has no way to be reached, the next do not wait."
        ),
        Phrase("Ten minutes a step where nobody laid down others, and the factor of six: judgement."),
        Phrase("Whether anybody who was told has looked."),
    ),
    "reach_sent": Help(
        Phrase("Taken, waiting, not delivered"),
        Phrase(
            "Taken means that the mail server, or whatever passes it on, has accepted it. Waiting is tried "
            "again; not delivered was given up."
        ),
        Phrase("The answer of the other side, as it came."),
        Phrase("Whether anybody has read it: only taking the notice says that."),
    ),
}
