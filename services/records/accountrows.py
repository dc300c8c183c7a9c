"""Rows of accounts, codes, sessions and tokens: finding them, using them up, handing them out."""

import json
from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session

from services.errors import Refused
from services.records.accounttables import AccountRow, CodeRow, SessionRow, TokenRow
from services.records.crew import Account, Entered, Token, sites_of
from services.records.secretwords import digest, new_code, tidy_code
from services.records.tables import OperatorEventRow
from services.timebase import HOUR_MS

CODE_LIFE_MS = 72 * HOUR_MS
"""An invitation may have to wait for a vehicle to reach the camp (judgement)."""

ADMINISTRATORS = (
    select(func.count())
    .select_from(AccountRow)
    .where(
        AccountRow.role == "administrator",
        AccountRow.password.is_not(None),
        AccountRow.disabled_ms.is_(None),
    )
)
"""How many there are who can let others in."""


def key_of(name: str) -> str:
    """Return a name without regard to capitals and spaces."""
    return " ".join(name.split()).casefold()


def find(session: Session, name: str) -> AccountRow | None:
    """Return the account of a name."""
    return session.scalar(select(AccountRow).where(AccountRow.key == key_of(name)))


def require(session: Session, no: int) -> AccountRow:
    """Return an account by its number, or refuse."""
    row = session.get(AccountRow, no)
    if row is None or row.disabled_ms is not None:
        raise Refused("There is no such account.")
    return row


@contextmanager
def somebody_left(session: Session, row: AccountRow) -> Iterator[None]:
    """Refuse a change of an account after which nobody could let people in."""
    could = row.role == "administrator" and row.password is not None
    yield
    session.flush()
    if could and not session.scalar(ADMINISTRATORS):
        raise Refused("Nobody could let people in any more: make somebody else administrator first.")


def spend(session: Session, typed: str, now_ms: int, purposes: tuple[str, ...]) -> CodeRow:
    """Use a code up, or refuse it."""
    row = session.get(CodeRow, digest(tidy_code(typed)))
    if row is None or row.used_ms is not None or row.expires_ms <= now_ms or row.purpose not in purposes:
        raise Refused("This code is not known, was used already, or is too old: ask for a new one.")
    row.used_ms = now_ms
    return row


def put_code(
    session: Session,
    purpose: str,
    role: str,
    sites: str | None,
    *,
    who: str,
    now_ms: int,
    account: int | None = None,
    device: str | None = None,
) -> str:
    """Make a code and return it; only its digest is kept."""
    code = new_code()
    session.execute(delete(CodeRow).where(CodeRow.expires_ms <= now_ms))
    session.add(
        CodeRow(
            digest=digest(code), purpose=purpose, account=account, device=device, role=role, sites=sites,
            made_by=who, expires_ms=now_ms + CODE_LIFE_MS, used_ms=None,
        )
    )  # fmt: skip
    return code


def note(session: Session, kind: str, about: str, who: str, now_ms: int, **body: str | None) -> None:
    """Write down what happened to an account, a device or a token."""
    session.add(OperatorEventRow(t_ms=now_ms, kind=kind, about=about, who=who, body=json.dumps(body)))


def account_of(row: AccountRow) -> Account:
    """Return an account."""
    return Account(
        no=row.no, name=row.name, role=Account.role_of(row.role), sites=sites_of(row.sites),
        waiting=row.password is None and row.disabled_ms is None, disabled=row.disabled_ms is not None,
    )  # fmt: skip


def entered_of(row: SessionRow, account: AccountRow | None) -> Entered | None:
    """Return an open session; None when its account was shut."""
    if row.account is not None and (account is None or account.disabled_ms is not None):
        return None
    role, sites, name = (row.role, row.sites, row.device)
    language = degrees = None
    if account is not None:
        role, sites, name = account.role, account.sites, account.name
        language, degrees = account.language, account.degrees
    return Entered(
        digest=row.digest, account=row.account, name=name or "",
        role=Account.role_of(role or ""), sites=sites_of(sites),
        begun_ms=row.begun_ms, seen_ms=row.seen_ms, language=language, degrees=degrees,
    )  # fmt: skip


def token_of(row: TokenRow) -> Token:
    """Return a token."""
    return Token(
        row.digest, row.label, Account.role_of(row.role), sites_of(row.sites), row.made_ms, row.made_by
    )
