"""What the comparison of machines with machines like them is, from what, and what it does not know."""

from dashboards.helpfood import Help
from dashboards.language import Phrase

_DAYS = Phrase(
    "Plain days of the last 30, at least seven, since the unit was last described anew; the last 90 beside "
    "them tell whether it was always so. Four units alike at least (judgement)."
)

COMPARE: dict[str, Help] = {
    "compare_number": Help(
        Phrase("Compared number"),
        Phrase(
            "The middle of the days of one unit. Units that turn slower to run longer are not compared by "
            "how long they run, a battery is told once, by the first of its units, and cut-outs are counted "
            "on every day, plain or not."
        ),
        _DAYS,
        Phrase("Whether a sensor reads true. Cut-outs of units whose voltage is not measured."),
    ),
    "compare_like": Help(
        Phrase("Units like it"),
        Phrase(
            "Always the same kind and speed; then as much of size, place, model and age as still leaves four "
            "units. What is not described cannot be matched."
        ),
        Phrase("The fleet file; classes of size and age are judgement. The model stands on the type plate."),
        Phrase("How each is used: doors, food, shade."),
    ),
    "compare_out": Help(
        Phrase("How far out"),
        Phrase(
            "Distance from the middle of the group in spreads: 1.4826 times the middle distance from the "
            "middle. It stands out from three spreads on, where no more than one in ten of those named "
            "would be there by chance."
        ),
        Phrase(
            "Iglewicz and Hoaglin (1993); Student's t for the few units of a group; Benjamini and "
            "Hochberg (1995) over all comparisons."
        ),
        Phrase("A cause. A whole group may be ill alike, and then nobody stands out."),
    ),
    "compare_apart": Help(
        Phrase("Places and cables"),
        Phrase(
            "Whether the units of one place, or with one length and section of cable, lie to the worse side "
            "of units like them. Three units on either side at least; chance in one of twenty at most."
        ),
        Phrase(
            "Ranks of distances after Mann and Whitney (1947), one side; Benjamini and Hochberg (1995) "
            "over all comparisons."
        ),
        Phrase("Who drives: nobody writes down who has which vehicle. Places with one or two units."),
    ),
}
