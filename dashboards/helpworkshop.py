"""What the workshop's numbers are, from what, and what they do not know."""

from dashboards.helpfood import PEOPLE, Help
from dashboards.language import Phrase

_LOG = Phrase("The unit's own log of at most the last eight days; thresholds in it are judgement.")

WORKSHOP: dict[str, Help] = {
    "due": Help(
        Phrase("Order of the due list"),
        Phrase(
            "Before the next trip: a unit in use that cut out within seven days, whose cooling or battery "
            "gives way, whose cabinet sensor is in doubt, with something due within two days or before its "
            "place leaves, or with a job that has a time to be cold by. The rest can wait."
        ),
        Phrase(
            "Findings and cut-outs of the log, jobs, planned service and departures; the order is judgement."
        ),
        Phrase("What spare parts are at hand; departures nobody wrote down."),
    ),
    "jobs": Help(
        Phrase("Job"),
        Phrase(
            "Work that a named person asked for on a unit, with a number, parts to take, and when it must be "
            "cold again. Its lines are only added to."
        ),
        PEOPLE,
        Phrase("Work that nobody wrote down."),
    ),
    "job_lines": Help(
        Phrase("Lines of a job"),
        Phrase("Who said what of a job, and when. A wrong line stays; a newer one corrects it."),
        PEOPLE,
        Phrase("What was done and not written down."),
    ),
    "service_mark": Help(
        Phrase("Work that touched the unit"),
        Phrase(
            "A job closed as done, or as tried without help, makes it a different machine: days before it "
            "are no longer compared with days after it. Service that comes round counts from work done."
        ),
        PEOPLE,
        Phrase("Whether the work was any good: the days after it will tell."),
    ),
    "circuit": Help(
        Phrase("Sheet of circuit work"),
        Phrase(
            "What a technician read, held against these limits: vacuum of 500 micron (67 Pa) or less, held "
            "for 10 min and more, rising by less than 500 micron; nitrogen for 10 min and more, its pressure "
            "moved by at most a hundredth after temperature is taken out; charge within a twentieth of the "
            "type plate's."
        ),
        Phrase("Vacuum: common practice, no source. Nitrogen and charge: judgement."),
        Phrase("Whether the gauges are right, and whether the circuit is tight under other conditions."),
    ),
    "due_day": Help(
        Phrase("Day something is due"),
        Phrase(
            "Of a job, when it must be cold again; of a finding, when it can no longer wait; of planned "
            "service, when the first of its intervals is used up at the unit's own rate of running."
        ),
        Phrase(
            "Jobs and checks people wrote down, and running of the unit's last days; intervals by the source "
            "that stands beside them."
        ),
        Phrase("How the unit will be used from now on."),
    ),
    "departure": Help(
        Phrase("Next departure"),
        Phrase("When somebody said that a vehicle leaves next. What is due before it comes first."),
        PEOPLE,
        Phrase("Departures that nobody wrote down."),
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
