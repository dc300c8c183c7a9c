"""What the workshop's numbers are, from what, and what they do not know."""

from dashboards.helpfood import PEOPLE, Help
from dashboards.language import Phrase

_LOG = Phrase("The unit's own log of at most the last eight days; thresholds in it are judgement.")

WORKSHOP: dict[str, Help] = {
    "due": Help(
        Phrase("Order of the due list"),
        Phrase(
            "Before the next trip: a unit in use that cut out within seven days, whose cooling or battery "
            "gives way, whose cabinet sensor is in doubt, or with something due within two days. The rest "
            "can wait."
        ),
        Phrase("Findings and cut-outs of the log; the order is judgement."),
        Phrase("When a vehicle leaves next, and what spare parts are at hand."),
    ),
    "run_hours": Help(
        Phrase("Run hours"),
        Phrase("How long the compressor ran, of the time its state was seen. Gaps count as neither."),
        _LOG,
        Phrase("Hours before those days: it is no counter of a machine's life."),
    ),
    "starts": Help(
        Phrase("Starts"),
        Phrase("How often the compressor was seen to start, and how often that is for each hour seen."),
        _LOG,
        Phrase("Starts that failed between two readings."),
    ),
    "day_by_day": Help(
        Phrase("Day by day"),
        Phrase(
            "Running, starts, the middle of the voltage under load and at rest, and the source resistance "
            "of each UTC day. Voltages are told only while nothing charged."
        ),
        _LOG,
        Phrase("What went on while nothing was heard; a day counts from one hour seen."),
    ),
    "bench_chart": Help(
        Phrase("Evidence on one axis of time"),
        Phrase(
            "Temperatures, voltage, source resistance with its standard error twice either way, share of "
            "time running and starts an hour, so that what changed together is seen together."
        ),
        Phrase("Stored readings in equal stretches of time; resistance, starts and running by UTC day."),
        Phrase("What caused it: a hot week and a dusty condenser look alike here."),
    ),
    "ice": Help(
        Phrase("Thermometer checks"),
        Phrase("What a sensor read in melting ice, where 0 °C is true."),
        PEOPLE,
        Phrase("How the sensor reads far from 0 °C."),
    ),
}
