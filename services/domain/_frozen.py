"""The base of every domain model."""

from pydantic import BaseModel, ConfigDict


class Frozen(BaseModel):
    """An immutable record that refuses fields it does not know and numbers that are not finite."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, populate_by_name=True)
