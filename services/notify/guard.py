"""Keeps what addresses typed by people lead to away from machines of our own network.

An address for messages is an address this box connects to: somebody who may enter one could use it to knock
at what only this box reaches (request forgery). So every connection of such a message is looked at when it
is made, after the name was resolved and after any redirect, and refused where it does not go outside.
"""

import ipaddress
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from functools import lru_cache
from typing import Any

from services.notify.failures import NotTakenError

_guarded = threading.local()
_NAT64 = ipaddress.ip_network("64:ff9b::/96")
"""Addresses that carry one of IPv4 (RFC 6052, 2.1)."""


class InsideError(OSError):
    """A connection would have gone to a machine of our own network."""


def _inside() -> NotTakenError:
    return NotTakenError(
        "The address leads to a machine inside of our own network, and that is not allowed here.",
        "An administrator may allow it: notify_inside = true in bushlarder.toml.",
        lasting=True,
    )


@contextmanager
def outside_only(*, inside_too: bool) -> Iterator[None]:
    """Refuse, in this thread, connections to this machine and to its own networks, unless they are allowed.

    Raises
    ------
    NotTakenError
        If one was tried.
    """
    if inside_too:
        yield
        return
    _install()
    _guarded.refused = False
    _guarded.on = True
    try:
        yield
    except InsideError as error:
        raise _inside() from error
    finally:
        _guarded.on = False
    if _guarded.refused:  # by a library that keeps errors to itself
        raise _inside()


@lru_cache(maxsize=1)
def _install() -> None:
    sys.addaudithook(_look)


def _look(event: str, arguments: tuple[Any, ...]) -> None:
    if event not in {"socket.connect", "socket.sendto"} or not getattr(_guarded, "on", False):
        return
    place = arguments[1]
    if not (isinstance(place, tuple) and is_outside(str(place[0]))):
        _guarded.refused = True
        raise InsideError("inside")


def is_outside(host: str) -> bool:
    """Return whether an address in numbers is one of the open net."""
    try:
        address = ipaddress.ip_address(host.partition("%")[0])
    except ValueError:
        return False
    if isinstance(address, ipaddress.IPv6Address):
        carried = address.ipv4_mapped or address.sixtofour
        if address in _NAT64:
            carried = ipaddress.IPv4Address(int(address) & 0xFFFFFFFF)
        if carried is not None:
            return carried.is_global and not carried.is_multicast
    return address.is_global and not address.is_multicast
