"""What the numbers of run tests are, from what, and what they do not know."""

from dashboards.helpfood import PEOPLE, Help
from dashboards.language import Phrase

TESTS: dict[str, Help] = {
    "test_verdict": Help(
        Phrase("Verdict of a test"),
        Phrase(
            "Not valid where a condition was not kept or nothing tells whether it was, else fail where a "
            "result is out of its limit, else pass. What was not measured stands beside it."
        ),
        Phrase(
            "Twelve hours under operating conditions: common practice, no source; limits beside each line."
        ),
        Phrase("How the unit runs in other air, on another supply, or with another load."),
    ),
    "test_lines": Help(
        Phrase("Lines of a test"),
        Phrase(
            "Conditions over the whole test, results over its last six hours. Running for each kelvin is "
            "told over whole cycles."
        ),
        Phrase("The unit's own readings; where each limit comes from stands in its row."),
        Phrase("What no channel measures; it says so."),
    ),
    "test_before": Help(
        Phrase("Before and after"),
        Phrase(
            "The unit's last test of the same kind, and the middle of the six-hour stretches of its own days "
            "before the test began."
        ),
        Phrase("Kept results, and at most 14 days of readings."),
        Phrase("Whether air, load and use were the same: compare only what is told for each kelvin."),
    ),
    "test_chart": Help(
        Phrase("Chart of a test"),
        Phrase(
            "Cabinet, product and air around it with set point and limit, voltage at the unit, and when the "
            "compressor ran."
        ),
        Phrase("Stored readings in equal stretches of time."),
        Phrase("Anything where nothing was heard."),
    ),
    "test_list": Help(
        Phrase("Tests"),
        Phrase(
            "Run tests and hold-over tests, the newest first. A result is never changed; test again instead."
        ),
        PEOPLE,
        Phrase("Tests made on paper only."),
    ),
}
