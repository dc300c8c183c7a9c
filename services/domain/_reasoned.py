"""What results share: instants, and fields that say why when they are empty."""

from functools import lru_cache
from typing import Annotated, Any

from pydantic import (
    BeforeValidator,
    PlainSerializer,
    SerializerFunctionWrapHandler,
    model_serializer,
    model_validator,
)

from services.domain._frozen import Frozen
from services.timebase import iso_of, ms_of_iso


def _ms(value: object) -> object:
    return ms_of_iso(value) if isinstance(value, str) else value


Instant = Annotated[int, BeforeValidator(_ms), PlainSerializer(iso_of, return_type=str, when_used="json")]
"""An instant in ms since 1970-01-01 UTC; ISO 8601 in JSON."""


class WithReasons(Frozen):
    """Drops ``…_reason`` siblings from JSON where the value is there, and reads it back as it was."""

    @model_validator(mode="before")
    @classmethod
    def _no_reason_beside_a_value(cls, given: object) -> object:
        if not isinstance(given, dict):
            return given
        needless = {
            reason: None
            for field, reason in _reasons_of(cls)
            if reason not in given and given.get(field) is not None
        }
        return {**needless, **given} if needless else given

    @model_serializer(mode="wrap")
    def _only_needed_reasons(self, handler: SerializerFunctionWrapHandler) -> dict[str, Any]:
        plain: dict[str, Any] = handler(self)
        for field, reason in _reasons_of(type(self)):
            if reason in plain and plain[reason] is None and plain.get(field) is not None:
                del plain[reason]
        return plain


@lru_cache(maxsize=256)
def _reasons_of(kind: type[WithReasons]) -> tuple[tuple[str, str], ...]:
    """Return the fields that say why they are empty, each with the one that says it."""
    names = kind.model_fields.keys()
    return tuple((name, f"{name}_reason") for name in names if f"{name}_reason" in names)
