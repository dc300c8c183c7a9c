"""What opens the door: sessions of people, enrolled devices, tokens of machines; and what was refused."""

from collections.abc import Iterable, Sequence

from sqlalchemy import delete, select, update

from services.errors import Refused
from services.records import accountrows
from services.records.accounttables import AccountRow, RefusalRow, SessionRow, TokenRow
from services.records.crew import Entered, Role, Sites, Token, sites_json
from services.records.door import Door
from services.records.secretwords import digest, new_secret
from services.timebase import DAY_MS, HOUR_MS

LIFE_MS: dict[str, int] = {
    "administrator": 12 * HOUR_MS,
    "manager": 7 * DAY_MS,
    "cook": 30 * DAY_MS,
    "workshop": 7 * DAY_MS,
    "inspector": DAY_MS,
}
"""How long a log-in lasts; a cook's phone is alone in a kitchen without a link (judgement)."""
DEVICE_LIFE_MS = 365 * DAY_MS
SEEN_EVERY_MS = HOUR_MS
REFUSALS_KEPT_MS = DAY_MS


class EntryRecords(Door):
    """Sessions, devices and tokens, found by the digest of their secret."""

    # Sessions.

    def begin_session(self, no: int, *, now_ms: int) -> str:
        """Return the secret of a new session of an account."""
        with self._database.writing() as session:
            row = accountrows.require(session, no)
            secret = new_secret()
            session.execute(delete(SessionRow).where(SessionRow.expires_ms <= now_ms))
            session.add(
                SessionRow(
                    digest=digest(secret), account=no, device=None, role=None, sites=None,
                    begun_ms=now_ms, seen_ms=now_ms, expires_ms=now_ms + LIFE_MS[row.role],
                )
            )  # fmt: skip
            return secret

    def session(self, secret: str, *, now_ms: int) -> Entered | None:
        """Return who a session belongs to, with the role the account has now; None when it has ended."""
        query = (
            select(SessionRow, AccountRow)
            .outerjoin(AccountRow, AccountRow.no == SessionRow.account)
            .where(SessionRow.digest == digest(secret), SessionRow.expires_ms > now_ms)
        )
        with self._database.reading() as session:
            found = session.execute(query).one_or_none()
        if found is None:
            return None
        entered = accountrows.entered_of(*found)
        if entered is not None and now_ms - found[0].seen_ms > SEEN_EVERY_MS:
            with self._database.writing() as session:
                session.execute(
                    update(SessionRow).where(SessionRow.digest == entered.digest).values(seen_ms=now_ms)
                )
        return entered

    def sessions_of(self, no: int, *, now_ms: int) -> list[Entered]:
        """Return the open sessions of an account, newest first."""
        return self._sessions(SessionRow.account == no, now_ms)

    def devices(self, *, now_ms: int) -> list[Entered]:
        """Return the enrolled devices, newest first."""
        return self._sessions(SessionRow.device.is_not(None), now_ms)

    def _sessions(self, which: object, now_ms: int) -> list[Entered]:
        query = (
            select(SessionRow, AccountRow)
            .outerjoin(AccountRow, AccountRow.no == SessionRow.account)
            .where(which, SessionRow.expires_ms > now_ms)  # type: ignore[arg-type]
            .order_by(SessionRow.begun_ms.desc(), SessionRow.digest)
        )
        with self._database.reading() as session:
            found = [accountrows.entered_of(*row) for row in session.execute(query)]
        return [one for one in found if one is not None]

    def end_session(self, ended: str) -> None:
        """End one session, or take a device out, by its digest."""
        with self._database.writing() as session:
            session.execute(delete(SessionRow).where(SessionRow.digest == ended))

    def end_device(self, ended: str, *, who: str, now_ms: int) -> None:
        """Take an enrolled device out, and write down who did.

        Raises
        ------
        Refused
            If there is no such device any more.
        """
        with self._database.writing() as session:
            row = session.get(SessionRow, ended)
            if row is None or row.device is None:
                raise Refused("That device was taken out already.")
            session.delete(row)
            accountrows.note(session, "device_ended", row.device, who, now_ms, sites=row.sites)

    def end_other_sessions(self, no: int, kept: str) -> None:
        """End every session of an account but one."""
        with self._database.writing() as session:
            session.execute(delete(SessionRow).where(SessionRow.account == no, SessionRow.digest != kept))

    # Machines.

    def give_token(self, label: str, role: Role, sites: Sites, *, who: str, now_ms: int) -> str:
        """Return a token for a machine, to be shown once.

        Raises
        ------
        Refused
            If the label is empty or taken, or a site is not there.
        """
        self._require_sites(sites)
        tidy, token = label.strip(), new_secret()
        if not tidy:
            raise Refused("What is the machine called?")
        with self._database.writing() as session:
            if session.scalar(select(TokenRow.label).where(TokenRow.label == tidy)) is not None:
                raise Refused(f"There is, or was, a token called {tidy!r}: choose another name.")
            session.add(
                TokenRow(
                    digest=digest(token), label=tidy, role=role, sites=sites_json(sites),
                    made_ms=now_ms, made_by=who, revoked_ms=None,
                )
            )  # fmt: skip
            accountrows.note(session, "token_given", tidy, who, now_ms, role=role, sites=sites_json(sites))
        return token

    def token(self, token: str) -> Token | None:
        """Return what a token allows; None when it is none, or was revoked."""
        with self._database.reading() as session:
            row = session.get(TokenRow, digest(token))
            return None if row is None or row.revoked_ms is not None else accountrows.token_of(row)

    def tokens(self) -> list[Token]:
        """Return every token that holds, by its label."""
        query = select(TokenRow).where(TokenRow.revoked_ms.is_(None)).order_by(TokenRow.label)
        with self._database.reading() as session:
            return [accountrows.token_of(row) for row in session.scalars(query)]

    def revoke_token(self, label: str, *, who: str, now_ms: int) -> None:
        """End a token.

        Raises
        ------
        Refused
            If there is none of that name.
        """
        with self._database.writing() as session:
            row = session.scalar(
                select(TokenRow).where(TokenRow.label == label, TokenRow.revoked_ms.is_(None))
            )
            if row is None:
                raise Refused(f"There is no token called {label!r}.")
            row.revoked_ms = now_ms
            accountrows.note(session, "token_revoked", label, who, now_ms)

    # What was refused.

    def note_refusal(self, keys: Iterable[str], *, now_ms: int) -> None:
        """Remember that a log-in or a code was refused, under each key."""
        with self._database.writing() as session:
            session.execute(delete(RefusalRow).where(RefusalRow.t_ms < now_ms - REFUSALS_KEPT_MS))
            session.add_all(RefusalRow(key=digest(key), t_ms=now_ms) for key in keys)

    def refusals(self, key: str, *, since_ms: int) -> Sequence[int]:
        """Return when something was refused under a key, oldest first."""
        query = select(RefusalRow.t_ms).where(RefusalRow.key == digest(key), RefusalRow.t_ms > since_ms)
        with self._database.reading() as session:
            return session.scalars(query.order_by(RefusalRow.no)).all()

    def forget_refusals(self, key: str) -> None:
        """Begin anew under a key: whoever it was has shown who he is."""
        with self._database.writing() as session:
            session.execute(delete(RefusalRow).where(RefusalRow.key == digest(key)))

    def _require_sites(self, sites: Sites) -> None:
        if sites is None:
            return
        strange = sites - {site.id for site in self.fleet().sites}
        if strange:
            raise Refused(f"There is no place {', '.join(sorted(strange))}.")
        if not sites:
            raise Refused("At least one place is needed; or every place.")
