"""Calls for help from the kitchens that nobody has answered, in words."""

from collections.abc import Mapping

from dashboards.language import _
from services.api.schemas import StatementRow


def call_words(call: StatementRow, names: Mapping[str, str]) -> str:
    """Return a call in a sentence; `names` are cabinets by their id."""
    name, note = names.get(call.unit, call.unit), str(call.body.get("note") or "")
    return _("%(who)s asks for help at %(name)s: %(note)s", who=call.who, name=name, note=note)
