"""What the numbers of a machine's days are, from what, and what they do not know."""

from dashboards.helpfood import Help
from dashboards.language import Phrase

_DAYS = Phrase("The unit's own log of each UTC day; thresholds in it are judgement.")

HEALTH: dict[str, Help] = {
    "health": Help(
        Phrase("Health, day by day"),
        Phrase(
            "Each number of a day as a line, with the band it usually keeps to: eight in ten of the first "
            "plain days since the unit was last worked on, moved or described anew."
        ),
        _DAYS,
        Phrase("The cause of a change, and what went on while nothing was heard."),
    ),
    "h_slope": Help(
        Phrase("Running for the difference"),
        Phrase(
            "How much the machine runs for the difference between air and cabinet, brought to air of "
            "%(air)s. At night doors are shut; around noon a dirty or badly aired condenser shows first.",
            air=32.0,
        ),
        Phrase(
            "Whole turns of the machine between 23:00 and 05:00 at the site; 1.5 %% less cooling a kelvin."
        ),
        Phrase("Without an air temperature, its own or one beside it, it is not told."),
    ),
    "h_ratio": Help(
        Phrase("Cooling and heat gain"),
        Phrase(
            "From how fast the cabinet warms while the machine stands and cools while it runs. Both "
            "together give the cooling over the heat gain: how far below the air the cabinet could be held."
        ),
        Phrase("dT/dt = [UA (Ta - T) - Q] / C in short stretches, middle of the night or else of the day."),
        Phrase("Heat gain and heat capacity apart: only their ratio, unless a load is declared."),
    ),
    "h_tau": Help(
        Phrase("Warming without cooling"),
        Phrase(
            "Time constant of stretches of 45 minutes and more without cooling, food included. With a "
            "declared load it gives the heat gain in watts for each kelvin."
        ),
        Phrase(
            "dt / ln((Ta - T1) / (Ta - T2)); 3.5 or 2.8 kJ/(kg K) of food and 6 kJ/K of liner (judgement)."
        ),
        Phrase("What is really in it, and where it lies."),
    ),
    "h_run": Help(
        Phrase("Running and starts"),
        Phrase("Hours run of those seen, starts an hour, the longest run, and the share within long runs."),
        _DAYS,
        Phrase("Starts that failed between two readings."),
    ),
    "h_cabinet": Help(
        Phrase("What the thermostat does"),
        Phrase(
            "The cabinet against its set point: mean of the day, where the machine stops and starts, how "
            "far it rises between, and how fast it warms and cools."
        ),
        _DAYS,
        Phrase("Whether the sensor reads true: a check in melting ice does."),
    ),
    "h_supply": Help(
        Phrase("What a day says of the supply"),
        Phrase(
            "Current while it runs, voltages while nothing charges, the way from the battery at its stops, "
            "charge drawn, and cut-outs that began on the day. Dawn is the last two hours before six."
        ),
        _DAYS,
        Phrase("Without a measured current the one in the fleet file is used."),
    ),
    "h_use": Help(
        Phrase("Use and surroundings"),
        Phrase(
            "Air, openings, hours in which warm goods were pulled down or a warm cabinet stood, and hours "
            "of dust. Such days are set aside before a machine is compared with itself."
        ),
        Phrase("Its sensors; openings without a switch are guessed from jumps of the cabinet's temperature."),
        Phrase("Small openings, and dust that no hour of driving or running tells."),
    ),
}
