"""All rounding and the words every page shares; nothing here computes a result."""

import math
import re
from collections.abc import Sequence
from datetime import datetime, tzinfo
from zoneinfo import ZoneInfo

from dashboards.language import (
    FoodLines,
    FoodPhrase,
    FoodTable,
    Phrase,
    Table,
    _,
    day_words,
    dynamic,
    in_scale,
    reader,
    scale,
    with_mark,
)
from dashboards.rulenames import rule_names
from services.domain import UnitCard, Verdict
from services.timebase import MINUTE_MS, SECOND_MS, datetime_of

WORDS: FoodTable[Verdict] = FoodTable(
    {
        Verdict.OK: "Cold",
        Verdict.WATCH: "Watch",
        Verdict.NO_DATA: "Not known",
        Verdict.HOLD: "Hold \N{EN DASH} do not serve",
        Verdict.DISCARD_ADVISED: "Discard advised",
    }
)
MEDICINE_WORD = FoodPhrase("Quarantine \N{EN DASH} ask the pharmacist")
"""Medicine is never to be thrown away, or used, on our word."""
MEDICINE_TOO = FoodPhrase("medicine: quarantine, ask the pharmacist")
RESTING_WORD = Phrase("Not in use")
"""Nothing is promised of what may lie in a cabinet that is empty, off or away."""

CAUTIONS = FoodLines(
    "Local code and the local environmental-health officer come before anything shown here.",
    "Taste and smell prove nothing. When in doubt, discard.",
    "Electrical and refrigeration work is for licensed technicians.",
    "Run engines and generators in the open air only: exhaust kills.",
)

CAUSES: Table[str] = Table(
    {
        "battery_flat": "battery flat",
        "battery_weak": "battery weak: it gives way under load long before it is empty",
        "wiring": "wiring: voltage is lost between battery and unit",
        "charging": "charging: the battery is not being filled",
        "limits": "limits: the cut-out setting does not suit this battery",
        "supply_interrupted": "supply interrupted: plug, fuse or switch",
        "unit": "the unit itself",
        "unknown": "cause not known",
    }
)
CAUSE_CHECKS: Table[str] = Table(
    {
        "battery_flat": "Recharge fully, then look at what drew the charge and when it was last full.",
        "battery_weak": "Load-test the battery after a full charge and a rest.",
        "wiring": "Measure the voltage at the battery and at the unit while it runs; feel plugs for heat.",
        "charging": "Check charger, split relay and panel; compare the voltage with the battery's sheet.",
        "limits": "Compare the cut-out setting with the battery's chemistry and the cable's length.",
        "supply_interrupted": "Check plug, socket, fuse and switch; shake the lead while the unit runs.",
        "unit": "Run the unit on a bench supply and read its own fault code.",
        "unknown": "Run the unit on a charged battery and watch the voltage while it starts.",
    }
)

FLAGS: Table[str] = Table(
    {
        "drift": "drifts away from what it should read",
        "check_failed": "failed its check in melting ice",
        "scaled": "is of another scale, or of another voltage than the bank's",
    }
)
"""Flags that one word does not explain."""

STATES: Table[str] = Table(
    {
        "in_use": "in use",
        "empty": "empty",
        "off": "switched off",
        "bench": "on the bench",
    }
)

DISPOSITIONS: FoodTable[str] = FoodTable(
    {
        "kept": "kept",
        "cooked_at_once": "cooked at once",
        "refrozen": "refrozen",
        "moved": "moved to another cabinet",
        "discarded": "discarded",
    }
)

CHANNELS: Table[str] = Table(
    {
        "cabinet_c": "Cabinet",
        "product_c": "Product",
        "ambient_c": "Outside",
        "evaporator_c": "Evaporator",
        "battery_v": "Battery, at the unit",
        "bank_v": "Battery, at its terminals",
        "current_a": "Current",
        "compressor_hz": "Compressor speed",
        "set_point_c": "Set point",
        "cutout_v": "Cut-out setting",
        "rssi_dbw": "Radio",
        "compressor_on": "Compressor",
        "lid_open": "Lid",
        "supply": "Supply",
        "fault": "Fault",
    }
)
UNITS: dict[str, str] = {
    "cabinet_c": "°C",
    "product_c": "°C",
    "ambient_c": "°C",
    "evaporator_c": "°C",
    "battery_v": "V",
    "bank_v": "V",
    "current_a": "A",
    "compressor_hz": "1/s",
    "set_point_c": "°C",
    "cutout_v": "V",
    "rssi_dbw": "dBW",
}
"""What a channel is measured in, where it is a number."""


def word(verdict: Verdict, classes: Sequence[str] = ()) -> str:
    """Return the verdict in words; medicine has its own for the two worst, beside that of other food."""
    if "medicine" in classes and verdict.rank >= Verdict.HOLD.rank:
        return f"{WORDS[verdict]}; {MEDICINE_TOO()}" if holds_food(classes) else MEDICINE_WORD()
    return WORDS[verdict]


def holds_food(classes: Sequence[str]) -> bool:
    """Return whether a cabinet holds food and not only medicine and drinks."""
    return not set(classes) <= {"medicine", "drinks"}


def word_of(card: UnitCard, verdict: Verdict) -> str:
    """Return a verdict on a cabinet in words; below hold, one that is not in use has none."""
    if is_resting(card, verdict):
        return RESTING_WORD()
    return word(verdict, card.classes)


def is_resting(card: UnitCard, verdict: Verdict) -> bool:
    """Return whether a verdict says nothing because the cabinet is not in use."""
    return card.state != "in_use" and verdict.rank < Verdict.HOLD.rank


def number(value: float, digits: int = 1) -> str:
    """Return a number with a true minus sign, and no minus before zero."""
    shown = f"{value:.{digits}f}"
    if float(shown) == 0.0:
        shown = shown.removeprefix("-")
    return with_mark(shown.replace("-", "\N{MINUS SIGN}"))


def degrees(value: float | None, digits: int = 1) -> str:
    """Return a temperature in the reader's scale, to a tenth of a degree if not told otherwise."""
    return _("not measured") if value is None else f"{number(in_scale(value), digits)} {scale()}"


def difference(value_k: float, digits: int = 1) -> str:
    """Return a difference of temperatures: nine fifths as many °F as K, without the 32."""
    if reader().degrees == "f":
        return f"{number(value_k * 9 / 5, digits)} °F"
    return f"{number(value_k, digits)} K"


def share(value: float) -> str:
    """Return a share as a whole number of hundredths."""
    return f"{100 * value:.0f} %"


def volts(value: float | None) -> str:
    """Return a voltage to a hundredth of a volt."""
    return _("not measured") if value is None else f"{number(value, 2)} V"


def minutes(value: float) -> str:
    """Return minutes as minutes, or hours and minutes from two hours on; never less than there were."""
    whole = math.ceil(round(value, 6))
    if whole < 120:  # noqa: PLR2004 - two hours
        return _("%(min)s min", min=whole)
    return _("%(h)s h %(min)s min", h=whole // 60, min=f"{whole % 60:02d}")


def hours(value: float) -> str:
    """Return hours to half an hour below ten, to the hour above, rounded down."""
    if value < 10:  # noqa: PLR2004 - ten hours
        half = math.floor(value * 2) / 2
        return _("%(h)s h", h=number(half, 0 if half == int(half) else 1))
    return _("%(h)s h", h=math.floor(value))


COUNT = "#"
"""Stands for the number in an age, for pages whose script counts on."""
AGES: Table[str] = Table({"s": "# s ago", "min": "# min ago", "h": "# h ago", "d": "# days ago"})
_AGE_STEPS = {"s": (90, 1), "min": (5_400, 60), "h": (172_800, 3_600)}


def age(t_ms: int | None, now_ms: int) -> str:
    """Return how long ago something was."""
    if t_ms is None:
        return _("never heard")
    seconds = max(0, now_ms - t_ms) // SECOND_MS
    for key, (length, step) in _AGE_STEPS.items():
        if seconds < length:
            return AGES[key].replace(COUNT, str(seconds // step))
    return AGES["d"].replace(COUNT, str(seconds // 86_400))


def local(t_ms: float, zone: tzinfo) -> datetime:
    """Return an instant in a site's zone."""
    return datetime_of(t_ms).astimezone(zone)


def clock(t_ms: float, zone: tzinfo, now_ms: int) -> str:
    """Return a time of day in the site's zone, with the day where it is not today."""
    moment, today = local(t_ms, zone), local(now_ms, zone)
    time = f"{moment:%H:%M}"
    days = (moment.date() - today.date()).days
    if days == 0:
        return time
    if days == 1:
        return _("%(time)s tomorrow", time=time)
    if days == -1:
        return _("%(time)s yesterday", time=time)
    return _("%(time)s on %(day)s", time=time, day=day_words(moment))


def stamp(t_ms: float, zone: tzinfo) -> str:
    """Return date and time in the site's zone, for records."""
    return f"{local(t_ms, zone):%Y-%m-%d %H:%M}"


def offset_name(t_ms: float, zone: tzinfo) -> str:
    """Return the zone's offset from UTC at an instant, for instance ``UTC+02:00``."""
    shown = f"{local(t_ms, zone):%z}"
    return f"UTC{shown[:3]}:{shown[3:]}"


def sentence(words: str) -> str:
    """Return words as a sentence: a capital first, a full stop last."""
    tidy = in_reader_scale(words.strip())
    if not tidy:
        return ""
    return tidy[0].upper() + tidy[1:] + ("" if tidy[-1] in ".!?:" else ".")


CODES: Table[str] = Table(
    {
        "dawn": "dawn",
        "dusk": "dusk",
        "midnight": "midnight",
        "probe": "probe",
        "modelled_food": "modelled food",
        "cabinet": "cabinet",
        "product": "product",
        "fridge": "fridge",
        "freezer": "freezer",
        "ingest": "ingest",
        "monitor": "monitor",
        "running": "running",
        "silent": "silent",
        "stuck": "stuck",
        "out_of_range": "out of range",
        "missing": "missing",
        "jump": "jump",
        "conflict": "conflict",
        "mains": "mains",
        "generator": "generator",
        "engine": "engine",
        "solar": "solar",
        "battery": "battery",
        "none": "none",
        "gone": "gone",
        "served": "served",
        "cooked": "cooked",
        "discarded": "discarded",
        "not_worked_out": "not worked out",
        "not_enough_data": "not enough data",
    }
)
"""Codes of the services that pages show as they are, an underline for a space."""


_DIGITS = r"[-\N{MINUS SIGN}]?\d+(?:[.,]\d+)?"
_CELSIUS = re.compile(rf"(?:(?P<low>{_DIGITS}) (?P<to>to|and) )?(?P<high>{_DIGITS}) °C")
_KELVIN = re.compile(r"(\d+(?:[.,]\d+)?) K\b")


_TIGHT_SHARE = re.compile(r"(?<=\d)%")


def in_reader_scale(words: str) -> str:
    """Return a sentence of a service, which tells °C, in the reader's scale; rule sets are named in it."""
    words = _TIGHT_SHARE.sub(" %", rule_names(words))
    if reader().degrees == "c":
        return words

    def number_f(shown: str) -> str:
        value_c = float(shown.replace("\N{MINUS SIGN}", "-").replace(",", "."))
        return number(in_scale(value_c)).removesuffix(with_mark(".0"))

    def degrees_f(found: re.Match[str]) -> str:
        low = "" if found["low"] is None else f"{number_f(found['low'])} {found['to']} "
        return f"{low}{number_f(found['high'])} °F"

    told = _CELSIUS.sub(degrees_f, words)
    return _KELVIN.sub(lambda found: difference(float(found[1].replace(",", "."))), told)


def plain(code: str) -> str:
    """Return a code as words; words of a service as they came."""
    return CODES.get(code) or dynamic(in_reader_scale(code.replace("_", " ")))


def value_words(column: str, value: float | bool | str) -> str:  # noqa: FBT001 - a reading, not a switch
    """Return a reading with its unit."""
    if isinstance(value, str):
        return plain(value)
    if isinstance(value, bool) or column in {"compressor_on", "lid_open"}:
        lid = column == "lid_open"
        yes, no = (_("open"), _("shut")) if lid else (_("running"), _("not running"))
        return yes if value else no
    unit = UNITS.get(column, "")
    if unit == "°C":
        return degrees(value)
    return f"{number(value, 2 if unit == 'V' else 1)} {unit}".strip()


def zone_of(card: UnitCard) -> ZoneInfo:
    """Return the zone of a cabinet's site."""
    return ZoneInfo(card.timezone)


def past_limit_ms(card: UnitCard) -> int:
    """Return how old a reading may be, in ms, before the page calls it old."""
    return max(30 * MINUTE_MS, 3 * card.interval_s * SECOND_MS)
