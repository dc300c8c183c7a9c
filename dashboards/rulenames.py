"""What rule sets are called where people read of them; files, the API and settings go by their ids."""

import re

from dashboards.language import Table

NAMES: Table[str] = Table(
    {
        "za-r638-2018": "South Africa R638",
        "fda-food-code-2022": "US Food Code 2022",
        "fsanz-3.2.2": "Australian Standard 3.2.2",
        "uk-8c": "UK chill rule",
        "eu-853-2004": "EU 853/2004",
        "eu-quick-frozen-89-108": "EU 89/108, quick-frozen",
        "fsis": "USDA FSIS charts",
        "bw-2007": "Botswana meat rules 2007",
        "er-67-2003": "Eritrea Notice 67/2003",
        "medicine-2-8": "medicine label",
        "who-vaccine-alarm": "WHO vaccine alarm",
    }
)
_LONGEST_FIRST = sorted(NAMES, key=len, reverse=True)
_IDS = re.compile(rf"(?<![\w./-])(?:{'|'.join(map(re.escape, _LONGEST_FIRST))})(?![\w/-])")


def rule_names(words: str) -> str:
    """Return words of a service with every rule set by its name; a house's own rules as they were called."""
    return _IDS.sub(lambda found: NAMES[found[0]], words)
