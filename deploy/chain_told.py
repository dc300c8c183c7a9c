"""What a look over the audit chain found, for a terminal."""

from collections.abc import Iterator

from dashboards.recordwords import faults_words, outcome_words
from services.records.chaincheck import Checked


def lines(found: Checked) -> Iterator[str]:
    """Yield what to tell, the faults first."""
    yield from faults_words(found.faults)
    yield f"{found.links} records in the chain: {outcome_words(len(found.faults))}"
    if found.expired:
        yield f"{found.expired} of them went with their time"
    if found.taken_out:
        yield f"{found.taken_out} parts stand under a number in place of a name"
    yield f"The newest link: {found.head}"
