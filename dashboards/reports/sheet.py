"""A log as one page that reads on a screen and prints well."""

import functools
import re
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from dashboards import text
from dashboards.reports import counted, passed, told, words
from dashboards.reports.contents import LogSheet
from dashboards.rolewords import signer_words

TEMPLATES = Path(__file__).resolve().parent.parent / "templates"
CAUTIONS = (
    *list(text.CAUTIONS)[:2],
    (
        "Temperatures are of the cabinet's air unless a product probe is named; food modelled from air is "
        "an estimate and is marked as such."
    ),
)

Plain = dict[str, Any]


@functools.cache
def _environment() -> Environment:
    return Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


@functools.cache
def style() -> str:
    """Return the style that goes into every log, as it stands there."""
    plain = re.sub(
        r"/\*.*?\*/", "", (TEMPLATES / "inspector_log.css").read_text(encoding="utf-8"), flags=re.DOTALL
    )
    return "\n".join(line.strip() for line in plain.splitlines() if line.strip())


def html(made: LogSheet, *, on_screen: Plain | None = None) -> str:
    """Return a log as a page of its own; `on_screen` adds what only a screen shows."""
    template = _environment().get_template("inspector_log.html")
    return template.render(css=Markup(style()), screen=on_screen, **_view(made))  # noqa: S704 - our own file


def file_stem(made: LogSheet) -> str:
    """Return a file name without its ending: the unit and the first and last day."""
    first, last = (text.local(t, made.zone).date() for t in (made.span.start_ms, made.span.end_ms - 1))
    return f"{made.settings.unit.id}_log_{first}_{last}"


def _view(made: LogSheet) -> Plain:
    zone = made.zone
    unit = made.settings.unit
    first, last = (text.local(t, zone).date() for t in (made.span.start_ms, made.span.end_ms - 1))
    return {
        "title": f"Temperature log of {made.settings.name}",
        "unit": unit.id,
        "period": f"{first}" if first == last else f"{first} to {last}",
        "printed": words.both_times(made.printed_ms, zone),
        "software": made.software,
        "facts": _facts(made),
        "summary": counted.summary(made),
        "limits": counted.limits(made),
        "descriptions": [counted.description(made, index) for index in range(len(made.regimes))],
        "days": [counted.day_view(made, day) for day in made.days],
        "marks": counted.marks(made),
        "stretches": [passed.stretch_view(made, index, s) for index, s in enumerate(made.stretches, start=1)],
        "air": counted.air(made),
        "hourly": [counted.hourly(made, day) for day in made.days],
        "has_product": any(day.product_c is not None for day in made.days),
        "said": [
            (
                line.number,
                words.both_times(line.t_ms, zone),
                signer_words(line.who, line.signed),
                words.kind_words(line.kind),
                words.said_words(line) + ("" if line.t_ms < made.span.end_ms else " (said after the period)"),
            )
            for line in made.said
        ],
        "signatures": [
            (
                signer_words(line.who, line.signed),
                words.both_times(line.t_ms, zone),
                words.body_words(line.body),
            )
            for line in made.said
            if line.kind == "signed"
        ],
        "verdicts": told.verdicts(made),
        "batches": [told.batch_view(made, card) for card in made.batches],
        "with_records": made.with_records,
        "chain": made.chain,
        "sensors": told.sensors(made),
        "cutouts": [
            (
                words.both_times(c.start, zone),
                passed.until(c.end, made),
                text.CAUSES[c.cause],
                c.certainty,
                c.why,
            )
            for c in made.cutouts
        ],
        "findings": [(text.sentence(text.plain(f.finding)), text.sentence(f.check)) for f in made.findings],
        "corrections": told.corrections(made),
        "rejected": [(cell.line, cell.column, cell.reason) for cell in made.rejected],
        "assumed": made.assumed,
        "cautions": CAUTIONS,
        "readings": len(made.readings.t_ms),
        "zone": f"{zone.key}, {text.offset_name(made.span.start_ms, zone)}",
    }


def _facts(made: LogSheet) -> list[tuple[str, str]]:
    settings = made.settings
    unit, site = settings.unit, settings.site
    volume = "" if unit.volume_l is None else f", {unit.volume_l:g} l"
    place = "no place given" if site is None else f"{site.name} ({site.kind})"
    return [
        ("Cabinet", f"{settings.name}, unit {unit.id} ({unit.kind}{volume})"),
        ("Place", place),
        ("Food", ", ".join(text.plain(c) for c in settings.classes)),
        ("Set point", f"{words.exact(settings.set_point_c)} °C"),
        (
            "Period",
            " to ".join(words.both_times(t, made.zone) for t in (made.span.start_ms, made.span.end_ms)),
        ),
        ("Time zone", f"{made.zone.key}, {text.offset_name(made.span.start_ms, made.zone)} at its start"),
        ("Readings", f"{len(made.readings.t_ms)}, every one of them unedited in the CSV; from {made.source}"),
        ("Printed", words.both_times(made.printed_ms, made.zone)),
        ("Software", made.software + ("" if made.firmware is None else f"; unit firmware {made.firmware}")),
    ]
