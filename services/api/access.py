"""Who may do what: one table of every route, and the words for whoever asks."""

from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from starlette.exceptions import HTTPException
from starlette.requests import HTTPConnection
from starlette.routing import compile_path

from services.records.crew import ROLES, Role, Sites

__all__ = [
    "ANYBODY",
    "ROLES",
    "START",
    "TABLE",
    "Asker",
    "Entry",
    "Kind",
    "Role",
    "Sites",
    "asker_of",
    "entry_of",
    "may",
]

Kind = Literal["person", "device", "machine", "anybody"]
"""Somebody who logged in; a device whose people choose a name; a program with a token; no log-in."""


@dataclass(frozen=True, slots=True)
class Asker:
    """Whoever asks for a page or an answer."""

    kind: Kind
    name: str
    """Of the person, the device or the machine; empty of anybody."""
    role: Role
    sites: Sites
    """The places that are seen; None is every place."""
    account: int | None = None
    session: str | None = None
    """Digest of the session, to end it."""
    language: str | None = None
    """What the person chose to read in, wherever a browser was told nothing else."""
    degrees: str | None = None
    demo: bool = False
    """Whether this is the demonstration, where nobody has a password."""

    @property
    def sees_positions(self) -> bool:
        """Whether positions may be shown: they reveal rare animals and people."""
        return self.kind == "anybody" or (self.role == "manager" and self.kind == "person")

    @property
    def sees_accounts(self) -> bool:
        """Whether what happened to accounts may be shown: to administrators and managers of every place."""
        head = self.kind == "person" and self.role in {"manager", "administrator"} and self.sites is None
        return self.kind == "anybody" or head

    @property
    def sees_all(self) -> bool:
        """Whether nothing is kept from whoever asks."""
        return self.kind == "anybody"


ANYBODY = Asker(kind="anybody", name="", role="administrator", sites=None)
"""Whoever asks where no log-in is asked for."""


@dataclass(frozen=True, slots=True)
class Entry:
    """Who may use one route."""

    methods: frozenset[str]
    path: str
    roles: frozenset[Role]
    public: bool = False
    """Whether it answers before a log-in."""
    everywhere: bool = False
    """Whether it is about the whole house, so that nobody who sees only some places may use it."""
    people_only: bool = False
    """Whether it is about a person's own account: no device, no machine."""


EVERYONE: frozenset[Role] = frozenset(ROLES)
KITCHEN: frozenset[Role] = frozenset({"manager", "cook", "administrator"})
"""Those who decide about food."""
HANDS: frozenset[Role] = KITCHEN | {"workshop"}
"""Those who do something; an inspector only reads."""
WRENCH: frozenset[Role] = frozenset({"manager", "workshop", "administrator"})
"""Those who deal with the machines."""
OFFICE: frozenset[Role] = frozenset({"manager", "administrator"})
HEAD: frozenset[Role] = frozenset({"administrator"})


def _get(
    roles: frozenset[Role], *paths: str, everywhere: bool = False, people_only: bool = False
) -> Iterable[Entry]:
    methods = frozenset({"GET", "HEAD"})
    return (Entry(methods, p, roles, everywhere=everywhere, people_only=people_only) for p in paths)


def _post(
    roles: frozenset[Role], *paths: str, everywhere: bool = False, people_only: bool = False
) -> Iterable[Entry]:
    methods = frozenset({"POST"})
    return (Entry(methods, p, roles, everywhere=everywhere, people_only=people_only) for p in paths)


def _open(method: str, *paths: str) -> Iterable[Entry]:
    methods = frozenset({"GET", "HEAD"}) if method == "GET" else frozenset({method})
    return (Entry(methods, path, EVERYONE, public=True) for path in paths)


TABLE: tuple[Entry, ...] = (
    *_open("GET", "/static/{name:path}", "/login", "/welcome", "/health", "/language"),
    *_open("GET", "/trust", "/trust/authority.crt", "/trust/authority.pem"),
    *_open("GET", "/t/{secret}"),
    *_open("POST", "/t/{secret}"),
    *_open("POST", "/login", "/login/demo", "/welcome", "/welcome/device", "/logout", "/language", "/theme"),
    # Interface.
    *_get(
        EVERYONE,
        "/api/v1/openapi.json",
        "/api/v1/health",
        "/api/v1/sites",
        "/api/v1/units",
        "/api/v1/units/{unit}",
        "/api/v1/units/{unit}/statements",
        "/api/v1/units/{unit}/samples",
        "/api/v1/units/{unit}/exposure",
        "/api/v1/units/{unit}/cutouts",
        "/api/v1/units/{unit}/service",
        "/api/v1/units/{unit}/health",
        "/api/v1/units/{unit}/sensors",
        "/api/v1/units/{unit}/battery",
        "/api/v1/units/{unit}/runout",
        "/api/v1/batches",
        "/api/v1/batches/{batch}",
        "/api/v1/batches/{batch}/events",
        "/api/v1/batches/{batch}/verdicts",
        "/api/v1/live",
        "/api/v1/notices",
        "/api/v1/notices/rates",
        "/api/v1/notices/{number}",
    ),
    *_get(
        WRENCH | {"inspector"},
        "/api/v1/jobs",
        "/api/v1/jobs/{number}",
        "/api/v1/planned",
        "/api/v1/workshop/compare",
        "/api/v1/departures",
        "/api/v1/runtests",
        "/api/v1/runtests/{number}",
    ),
    *_post(
        WRENCH,
        "/api/v1/jobs",
        "/api/v1/jobs/{number}/notes",
        "/api/v1/jobs/{number}/close",
        "/api/v1/departures",
        "/api/v1/runtests",
        "/api/v1/runtests/{number}/notes",
    ),
    *_get(WRENCH, "/api/v1/waiting", everywhere=True),
    *_get(WRENCH, "/metrics", everywhere=True),
    *_post(
        HANDS,
        "/api/v1/notices/{number}/acknowledge",
        "/api/v1/notices/{number}/shelve",
        "/api/v1/notices/{number}/out-of-service",
        "/notices/{number}/say",
    ),
    *_post(HANDS, "/api/v1/units/{unit}/state", "/api/v1/checks", "/api/v1/corrections"),
    *_post(KITCHEN, "/api/v1/releases", "/api/v1/batches", "/api/v1/batches/{batch}/events"),
    *_post(WRENCH, "/api/v1/commands"),
    *_post(WRENCH, "/workshop/tests", "/workshop/tests/{number}/say"),
    *_get(EVERYONE, "/api/v1/{path:path}"),
    # Pages.
    *_get(
        EVERYONE,
        "/",
        "/fleet",
        "/tonight",
        "/notices",
        "/notices/{number}",
        "/compare",
        "/history",
        "/history.csv",
        "/camp",
        "/camp/{site}",
        "/camp/{site}/food",
        "/offline",
        "/offline/kit",
        "/batches/{batch}",
        "/units/{unit}",
        "/units/{unit}/figure.json",
        "/units/{unit}/days.json",
        "/units/{unit}/log",
        "/units/{unit}/log.csv",
        "/units/{unit}/log.pdf",
        "/why",
    ),
    *_get(
        WRENCH | {"inspector"},
        "/workshop",
        "/workshop/battery",
        "/workshop/battery.csv",
        "/workshop/battery.pdf",
        "/workshop/calendar",
        "/workshop/calendar.ics",
        "/workshop/compare",
        "/workshop/compare.csv",
        "/workshop/due.csv",
        "/workshop/jobs",
        "/workshop/units/{unit}",
        "/workshop/units/{unit}/figure.json",
        "/workshop/units/{unit}/health",
        "/workshop/units/{unit}/sheet",
        "/workshop/units/{unit}/sheet.pdf",
        "/workshop/tests",
        "/workshop/tests/{number}",
        "/workshop/tests/{number}/figure.json",
        "/workshop/tests/{number}/certificate",
        "/workshop/tests/{number}/certificate.pdf",
    ),
    *_get(WRENCH, "/workshop/jobs/new"),
    *_get(
        WRENCH | {"inspector"},
        "/workshop/jobs/{number}",
        "/workshop/jobs/{number}/circuit",
        "/workshop/jobs/{number}/sheet",
        "/workshop/jobs/{number}/sheet.pdf",
    ),
    *_post(
        WRENCH,
        "/workshop/departures",
        "/workshop/jobs",
        "/workshop/jobs/{number}/circuit",
        "/workshop/jobs/{number}/close",
        "/workshop/jobs/{number}/correct",
        "/workshop/jobs/{number}/note",
        "/workshop/jobs/{number}/plan",
    ),
    *_get(HANDS, "/plan", "/departure"),
    *_post(HANDS, "/plan"),
    *_get(KITCHEN | {"inspector"}, "/supplies", "/supplies.csv"),
    *_get(KITCHEN, "/camp/{site}/add", "/camp/{site}/add/details"),
    *_get(OFFICE, "/map"),
    *_post(KITCHEN, "/camp/{site}/add", "/batches/{batch}/say", "/units/{unit}/release"),
    *_get(HANDS, "/camp/{site}/check"),
    *_post(HANDS, "/camp/{site}/check"),
    *_post(KITCHEN, "/kept/pin"),
    *_post(HANDS, "/units/{unit}/state", "/units/{unit}/correct", "/units/{unit}/check"),
    # How people are reached.
    *_get(HANDS, "/reach", "/reach/messages", "/reach/places/{site}"),
    *_post(HANDS, "/reach/add", "/reach/{way}/change", "/reach/{way}/do"),
    *_post(OFFICE, "/reach/places/{site}", everywhere=True),
    # People.
    *_get(EVERYONE, "/account", people_only=True),
    *_post(EVERYONE, "/account/password", "/account/pin", "/account/others", people_only=True),
    *_post(EVERYONE, "/account/reading", people_only=True),
    *_get(
        HEAD,
        "/people",
        "/admin",
        "/admin/new/{kind}",
        "/admin/change/{kind}/{key}",
        "/admin/credentials/{unit}",
        "/admin/broker/authority.pem",
        "/admin/labels",
        "/admin/labels.pdf",
        "/admin/rows",
        "/admin/rows/fleet.csv",
        "/admin/rows/template.csv",
        everywhere=True,
        people_only=True,
    ),
    *_post(
        HEAD,
        "/admin/new/{kind}",
        "/admin/change/{kind}/{key}",
        "/admin/retire/{kind}/{key}",
        "/admin/credentials/{unit}/give",
        "/admin/credentials/{unit}/revoke",
        "/admin/rows",
        "/admin/rows/{token}",
        everywhere=True,
        people_only=True,
    ),
    *_post(
        HEAD,
        "/people/invite",
        "/people/{number}/change",
        "/people/{number}/disable",
        "/people/device",
        "/people/device/end",
        "/people/token",
        "/people/token/revoke",
        everywhere=True,
        people_only=True,
    ),
    *_get(
        HEAD,
        "/records",
        "/records/forget",
        "/records/exports/{token}",
        everywhere=True,
        people_only=True,
    ),
    *_post(
        HEAD,
        "/records/verify",
        "/records/export",
        "/records/forget",
        everywhere=True,
        people_only=True,
    ),
)
"""Every route with who may use it; what is not in here is not answered. Order counts: the first that fits."""

_COMPILED = tuple((entry, compile_path(entry.path)[0]) for entry in TABLE)


@lru_cache(maxsize=4096)
def entry_of(method: str, path: str) -> Entry | None:
    """Return the line of the table that a request falls under, None when there is none."""
    return next((entry for entry, shape in _COMPILED if method in entry.methods and shape.match(path)), None)


def may(asker: Asker, entry: Entry) -> bool:
    """Return whether somebody may use a route; which places they see is the desk's business."""
    if entry.public or asker.kind == "anybody":
        return True
    if entry.people_only and asker.kind != "person":
        return False
    if entry.everywhere and asker.sites is not None:
        return False
    return asker.role in entry.roles


def asker_of(request: HTTPConnection) -> Asker:
    """Return who asks.

    Raises
    ------
    HTTPException
        401 on a public route, where nobody may have come in.
    """
    found: Asker | None = request.state.asker
    if found is None:
        raise HTTPException(401, "Log in first, or show a token.")
    return found


START: dict[Role, str] = {
    "manager": "/fleet",
    "cook": "/camp",
    "workshop": "/workshop",
    "inspector": "/fleet",
    "administrator": "/people",
}
"""The page each finds after logging in."""
