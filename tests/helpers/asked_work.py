"""A job with sheets of circuit work, and a vehicle that leaves."""

from services.domain import DepartureSaid, JobChecked, JobOpened, NitrogenHold, Part, VacuumHold
from services.timebase import DAY_MS, datetime_of
from tests.helpers.larder import NOW_MS, Larder

WHO = "Thandi M."


def ask_for_work(larder: Larder) -> int:
    """Open a job, write two sheets into it, let its vehicle leave, and return its number."""
    soon = datetime_of(NOW_MS + 2 * DAY_MS)
    asked = JobOpened(
        person=WHO,
        unit="v3-meat",
        work="cooling",
        reason="weaker than it was",
        parts=(Part(what="filter drier"),),
        cold_by=soon,
    )
    number = larder.records.open_job(asked, now_ms=NOW_MS)
    vacuum = VacuumHold(check="vacuum", reached_micron=300, after_micron=450, minutes=30, technician=WHO)
    for sheet in (vacuum, NitrogenHold(check="nitrogen", start_kpa=1000, end_kpa=900)):
        said = JobChecked(kind="checked", person=WHO, sheet=sheet)
        larder.records.say_of_job(number, said, now_ms=NOW_MS)
    larder.records.say_departure(DepartureSaid(person=WHO, site="vehicle-3", leaves=soon), now_ms=NOW_MS)
    return number
