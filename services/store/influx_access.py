"""Where an InfluxDB is and who we are to it; apart from the client, which takes long to load."""

from dataclasses import dataclass, field

TIMEOUT_S = 10.0
"""How long the server may take to answer."""


@dataclass(frozen=True, slots=True)
class InfluxAccess:
    """Where a server is and who we are to it."""

    url: str
    token: str = field(repr=False)
    org: str
    bucket: str
    """On 1.x the name of the database."""
    auth_basic: bool = False
    """Whether the token is ``user:password`` of a 1.x server."""
    timeout_s: float = TIMEOUT_S
