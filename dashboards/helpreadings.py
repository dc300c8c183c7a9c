"""What every reading and chart is, and what it does not know."""

from dashboards.helpfood import Help
from dashboards.language import Phrase

_READ = Phrase("The unit's own reading.")

READINGS: dict[str, Help] = {
    "cabinet": Help(
        Phrase("Cabinet"),
        Phrase("Air in the cabinet where its own sensor sits."),
        _READ,
        Phrase("How warm the food is inside."),
    ),
    "product": Help(
        Phrase("Product"),
        Phrase("What a probe fitted in food, or a dummy of food, reads."),
        _READ,
        Phrase("Other food in it."),
    ),
    "outside": Help(
        Phrase("Outside"),
        Phrase("Air around the cabinet, at its own outer sensor."),
        _READ,
        Phrase("The weather elsewhere."),
    ),
    "evaporator": Help(
        Phrase("Evaporator"),
        Phrase("The cold plate of the machine; it ices and thaws."),
        _READ,
        Phrase("The food."),
    ),
    "unit_volts": Help(
        Phrase("Battery, at the unit"),
        Phrase(
            "Voltage at the unit's own terminals: under load it is lower than at the battery by what "
            "cable and joints take."
        ),
        _READ,
        Phrase("The voltage at the battery."),
    ),
    "bank_volts": Help(
        Phrase("Battery, at its terminals"),
        Phrase("Voltage at the battery itself."),
        _READ,
        Phrase("Loss on the way."),
    ),
    "current": Help(
        Phrase("Current"),
        Phrase("Current the unit draws, its fans and electronics included."),
        _READ,
        Phrase("Other loads."),
    ),
    "speed": Help(
        Phrase("Compressor speed"),
        Phrase("Turns of the compressor a second."),
        _READ,
        Phrase("How much cold they bring."),
    ),
    "set_point": Help(
        Phrase("Set point"),
        Phrase("What somebody set the thermostat to."),
        _READ,
        Phrase("Whether it gets there."),
    ),
    "cutout_set": Help(
        Phrase("Cut-out setting"),
        Phrase("Voltage below which it stops itself."),
        _READ,
        Phrase("Whether it suits the bank."),
    ),
    "radio": Help(
        Phrase("Radio"),
        Phrase("Strength of the radio link: nearer to zero is stronger."),
        _READ,
        Phrase("The link beyond the mast."),
    ),
    "compressor": Help(
        Phrase("Compressor"),
        Phrase("Whether the compressor ran, or for how much of the time."),
        _READ,
        Phrase("Runs between two readings."),
    ),
    "lid": Help(
        Phrase("Lid"),
        Phrase("Whether lid or door stands open."),
        _READ,
        Phrase("How long, between two readings."),
    ),
    "supply": Help(
        Phrase("Supply"),
        Phrase("What the unit says it is fed by."),
        _READ,
        Phrase("Whether that will go on."),
    ),
    "fault": Help(
        Phrase("Fault"),
        Phrase("A fault the unit tells of itself."),
        _READ,
        Phrase("Faults it does not notice."),
    ),
    "age": Help(
        Phrase("Last reading"),
        Phrase(
            "How long ago the unit was last heard. After three of its intervals, and 30 min at least,"
            " it is written as what it was."
        ),
        Phrase("The time of the newest sample, by the unit's clock as corrected here."),
        Phrase("What has happened since."),
    ),
    "chart": Help(
        Phrase("Chart of readings"),
        Phrase(
            "Bands from lowest to highest reading in each stretch of time, so that no peak is lost; "
            "nothing is drawn where nothing was heard. Right of the dotted line is forecast."
        ),
        Phrase("Stored readings; food is modelled from them, the forecast is the battery's."),
        Phrase("What went on in the gaps."),
    ),
    "strips": Help(
        Phrase("Side by side"),
        Phrase(
            "The same readings of several cabinets on one axis: band from lowest to highest, line for"
            " the mean, dashed for the cabinet's own limit, hatched where nothing was heard."
        ),
        Phrase("Stored readings in equal stretches of time."),
        Phrase("What went on in hatched stretches."),
    ),
    "range": Help(
        Phrase("Lowest, mean, highest"),
        Phrase("Over the span on the page; the mean is of readings, each counting as much as any other."),
        Phrase("Every stored reading of the span."),
        Phrase("Values between two readings."),
    ),
    "missing": Help(
        Phrase("Nothing heard for"),
        Phrase("How much of the span no reading of this kind is stored for."),
        Phrase("Empty stretches of the chart."),
        Phrase("Whether readings are still on their way."),
    ),
    "assumed": Help(
        Phrase("Assumed"),
        Phrase("What the settings do not say and was taken instead."),
        Phrase("Each line names what it stands for; say it in the fleet file and the line goes."),
        Phrase("How far off the assumption is."),
    ),
}


CHANNELS: dict[str, str] = {
    "cabinet_c": "cabinet",
    "product_c": "product",
    "ambient_c": "outside",
    "evaporator_c": "evaporator",
    "battery_v": "unit_volts",
    "bank_v": "bank_volts",
    "current_a": "current",
    "compressor_hz": "speed",
    "set_point_c": "set_point",
    "cutout_v": "cutout_set",
    "rssi_dbw": "radio",
    "compressor_on": "compressor",
    "lid_open": "lid",
    "supply": "supply",
    "fault": "fault",
}
"""The explanation of each channel a unit may send."""
