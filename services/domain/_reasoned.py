"""What results share: instants, and fields that say why when they are empty."""

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
        told = (f"{key}_reason" for key, value in given.items() if value is not None)
        return {**{name: None for name in told if name in cls.model_fields}, **given}

    @model_serializer(mode="wrap")
    def _only_needed_reasons(self, handler: SerializerFunctionWrapHandler) -> dict[str, Any]:
        plain: dict[str, Any] = handler(self)
        return {
            key: value
            for key, value in plain.items()
            if not (
                key.endswith("_reason")
                and value is None
                and plain.get(key.removesuffix("_reason")) is not None
            )
        }
