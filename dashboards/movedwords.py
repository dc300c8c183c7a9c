"""In words: how a cabinet, place or bank was described anew, and what happened to accounts."""

import json
from collections.abc import Iterator, Mapping

from dashboards import text
from dashboards.language import Table, _
from dashboards.rolewords import NAMES, places_words
from services.api.lookback import Described, HouseEvent
from services.domain import Bank, Site, Unit

_PARTS: Table[str] = Table(
    {
        "kind": "kind of cabinet",
        "volume_l": "volume",
        "plate": "type plate",
        "installed": "when it was put in",
        "set_point_c": "set point",
        "interval_s": "interval of readings",
        "food": "food and limits",
        "supply": "supply",
        "compressor": "machine",
        "sensor": "sensor",
        "link": "link",
    }
)
_OTHERS: Table[str] = Table(
    {
        "name": "name",
        "kind": "kind of place",
        "timezone": "time zone",
        "latitude_deg": "where it is",
        "longitude_deg": "where it is",
        "chemistry": "chemistry",
        "nominal_v": "voltage",
        "capacity_ah": "capacity",
        "installed": "when it was put in",
        "starts_engine": "whether it starts an engine",
        "other_load_a": "what else draws from it",
        "half_tap_a": "what draws from one half of it",
    }
)
"""Parts of places and banks."""
_ACCOUNTS: Table[str] = Table(
    {
        "account_invited": "account made, or a new code given",
        "account_changed": "account changed",
        "account_disabled": "account shut",
        "person_forgotten": "data of a person deleted",
        "records_exported": "everything written into a file",
        "records_verified": "audit chain looked over",
        "password_set": "password chosen",
        "pin_set": "PIN chosen",
        "pin_taken": "PIN taken away",
        "device_code": "code given for a shared device",
        "device_enrolled": "shared device let in",
        "device_ended": "shared device taken out",
        "token_given": "token given to a program",
        "token_revoked": "token of a program taken away",
        "credential_issued": "credential given to a unit",
        "credential_revoked": "credential of a unit taken away",
    }
)


def described_words(told: Described, sites: Mapping[str, Site]) -> str:
    """Return what changed of a cabinet, place or bank; a place that is not seen is not named."""
    words = _what_changed(told, sites)
    if isinstance(told.before or told.after, Site | Bank):
        words = f"{told.key}: {words}"
    return f"{words} {text.sentence(_('why: %(why)s', why=told.why))}" if told.why else words


def _what_changed(told: Described, sites: Mapping[str, Site]) -> str:
    before, after = told.before, told.after
    if after is None:
        return _("Taken off the list.")
    if before is None:
        if isinstance(after, Unit):
            return _("Put on the list, stands at %(place)s.", place=_place(after, sites))
        return _("Put on the list.")
    if isinstance(before, Unit) and isinstance(after, Unit):
        return " ".join(text.sentence(words) for words in _changes(before, after, sites))
    parts = dict.fromkeys(
        words for name, words in _OTHERS.items() if getattr(before, name, None) != getattr(after, name, None)
    )
    return text.sentence(_("described anew: %(parts)s", parts=", ".join(parts)))


def _place(unit: Unit, sites: Mapping[str, Site]) -> str:
    if unit.site is None:
        return _("no place")
    site = sites.get(unit.site)
    return _("another place") if site is None else site.name


def _changes(before: Unit, after: Unit, sites: Mapping[str, Site]) -> Iterator[str]:
    if before.site != after.site:
        yield _("moved from %(a)s to %(b)s", a=_place(before, sites), b=_place(after, sites))
    if before.supply.bank != after.supply.bank:
        banks = [unit.supply.bank or _("no bank") for unit in (before, after)]
        yield _("from %(a)s to %(b)s for its power", a=banks[0], b=banks[1])
    if before.state != after.state:
        yield _("use: from %(a)s to %(b)s", a=text.STATES[before.state], b=text.STATES[after.state])
    if before.name != after.name:
        yield _("name: from %(a)s to %(b)s", a=before.name or before.id, b=after.name or after.id)
    parts = [words for name, words in _PARTS.items() if _rest(before, name) != _rest(after, name)]
    if parts:
        yield _("described anew: %(parts)s", parts=", ".join(parts))


def _rest(unit: Unit, name: str) -> object:
    """Return one part of a description, without what is told on its own."""
    if name == "supply":
        return unit.supply.model_copy(update={"bank": None, "since": None})
    return getattr(unit, name)


def account_words(told: HouseEvent, sites: Mapping[str, Site]) -> str:
    """Return what happened to an account, a device or a token."""
    lead = f"{told.about}: {_ACCOUNTS[told.kind]}"
    details = [words for role, words in NAMES.items() if role == told.body.get("role")]
    if "sites" in told.body:
        kept = told.body["sites"]
        places = None if kept is None else frozenset(json.loads(kept))
        details.append(places_words(places, tuple(sites.values())))
    if told.body.get("why"):
        details.append(_("why: %(why)s", why=told.body["why"]))
    return text.sentence(f"{lead} ({', '.join(details)})" if details else lead)
