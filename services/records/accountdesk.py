"""Who may come in: accounts, their sessions, devices, tokens of machines, one-time codes."""

from sqlalchemy import delete, select

from services.domain import Person
from services.errors import Refused
from services.records import accountrows, fleetbook
from services.records.accounttables import AccountRow, CodeRow, SessionRow
from services.records.crew import Account, Code, LogIn, Role, Sites, sites_json
from services.records.entrydesk import DEVICE_LIFE_MS, EntryRecords
from services.records.secretwords import digest, new_secret, tidy_code


class AccountRecords(EntryRecords):
    """Accounts and everything that opens the door to one."""

    # Accounts.

    def accounts(self) -> list[Account]:
        """Return every account, disabled ones too, in the order of their names."""
        with self._database.reading() as session:
            return [
                accountrows.account_of(row)
                for row in session.scalars(select(AccountRow).order_by(AccountRow.key))
            ]

    def has_administrator(self) -> bool:
        """Return whether somebody can log in and let others in."""
        with self._database.reading() as session:
            return bool(session.scalar(accountrows.ADMINISTRATORS))

    def log_in_of(self, name: str) -> LogIn | None:
        """Return what a name is checked against; None for one that cannot log in."""
        with self._database.reading() as session:
            row = accountrows.find(session, name)
            if row is None or row.password is None or row.disabled_ms is not None:
                return None
            return LogIn(accountrows.account_of(row), row.password)

    def invite(self, name: str, role: Role, sites: Sites, *, who: str, now_ms: int) -> str:
        """Make an account, or a new code for one there is; return the code that chooses its password.

        Role and sites become those given. What was signed under the name stays as it is.

        Raises
        ------
        Refused
            If the name is empty or too long, or a site is not there.
        """
        person = self._person(name, role)
        self._require_sites(sites)
        with self._database.writing() as session:
            row = accountrows.find(session, person.name)
            if row is None:
                row = AccountRow(
                    key=accountrows.key_of(person.name), name=person.name, role=role, sites=sites_json(sites),
                    password=None, made_ms=now_ms, made_by=who, disabled_ms=None,
                )  # fmt: skip
                session.add(row)
                session.flush()
            row.role, row.sites, row.disabled_ms = role, sites_json(sites), None
            fleetbook.put_person(session, Person(name=row.name, role=person.role), who=who, now_ms=now_ms)
            session.execute(delete(CodeRow).where(CodeRow.account == row.no))
            accountrows.note(session, "account_invited", row.name, who, now_ms, role=role, sites=row.sites)
            return accountrows.put_code(
                session, "person", role, row.sites, who=who, now_ms=now_ms, account=row.no
            )

    def first_code(self, *, now_ms: int) -> str:
        """Return a code that makes the first administrator; earlier ones end."""
        with self._database.writing() as session:
            session.execute(delete(CodeRow).where(CodeRow.purpose == "first"))
            return accountrows.put_code(
                session, "first", "administrator", None, who="the terminal", now_ms=now_ms
            )

    def change_account(self, no: int, role: Role, sites: Sites, *, who: str, now_ms: int) -> None:
        """Give an account another role or other sites; its open sessions go on with those.

        Raises
        ------
        Refused
            If a site is not there, or nobody could let people in any more.
        """
        self._require_sites(sites)
        with self._database.writing() as session:
            row = accountrows.require(session, no)
            with accountrows.somebody_left(session, row):
                row.role, row.sites = role, sites_json(sites)
            fleetbook.put_person(session, self._person(row.name, role), who=who, now_ms=now_ms)
            accountrows.note(session, "account_changed", row.name, who, now_ms, role=role, sites=row.sites)

    def disable_account(self, no: int, *, who: str, now_ms: int) -> None:
        """Shut an account: its sessions end, its name signs nothing more; what was signed stays.

        Raises
        ------
        Refused
            If nobody could let people in any more.
        """
        with self._database.writing() as session:
            row = accountrows.require(session, no)
            with accountrows.somebody_left(session, row):
                row.disabled_ms, row.password = now_ms, None
            session.execute(delete(SessionRow).where(SessionRow.account == no))
            session.execute(delete(CodeRow).where(CodeRow.account == no))
            fleetbook.drop_person(session, row.name, who=who, now_ms=now_ms)
            accountrows.note(session, "account_disabled", row.name, who, now_ms)

    def set_password(self, no: int, hashed: str, *, now_ms: int) -> None:
        """Keep a new password; every session of the account ends."""
        with self._database.writing() as session:
            row = accountrows.require(session, no)
            row.password = hashed
            session.execute(delete(SessionRow).where(SessionRow.account == no))
            accountrows.note(session, "password_set", row.name, row.name, now_ms)

    def set_reading(self, no: int, *, language: str | None, degrees: str | None) -> None:
        """Keep what somebody reads in where a browser was told nothing else; None leaves it to that."""
        with self._database.writing() as session:
            row = accountrows.require(session, no)
            row.language, row.degrees = language, degrees

    # Codes.

    def code(self, typed: str, *, now_ms: int) -> Code | None:
        """Return what a code is for; None when it is none, was used or is too old."""
        with self._database.reading() as session:
            row = session.get(CodeRow, digest(tidy_code(typed)))
            if row is None or row.used_ms is not None or row.expires_ms <= now_ms:
                return None
            account = None if row.account is None else session.get(AccountRow, row.account)
            return Code(row.purpose, None if account is None else account.name, row.device)

    def use_code(self, typed: str, *, name: str, hashed: str, now_ms: int) -> Account:
        """Choose the password that a code stands for; of the very first one the name too.

        Raises
        ------
        Refused
            If the code is none, was used or is too old.
        """
        with self._database.writing() as session:
            code = accountrows.spend(session, typed, now_ms, ("first", "person"))
            if code.purpose == "person":
                row = accountrows.require(session, code.account or 0)
            else:
                person = self._person(name, "administrator")
                if accountrows.find(session, person.name) is not None:
                    raise Refused("There is an account of that name already.")
                row = AccountRow(
                    key=accountrows.key_of(person.name), name=person.name, role="administrator", sites=None,
                    password=None, made_ms=now_ms, made_by=code.made_by, disabled_ms=None,
                )  # fmt: skip
                session.add(row)
                session.flush()
                fleetbook.put_person(session, person, who=person.name, now_ms=now_ms)
            row.password = hashed
            session.execute(delete(SessionRow).where(SessionRow.account == row.no))
            accountrows.note(session, "password_set", row.name, row.name, now_ms)
            return accountrows.account_of(row)

    def device_code(self, label: str, sites: Sites, *, who: str, now_ms: int) -> str:
        """Return a code that enrols a device on which a kitchen's people sign by choosing their name.

        Raises
        ------
        Refused
            If the label is empty, or a site is not there.
        """
        if not label.strip():
            raise Refused("What is the device called, and where is it?")
        self._require_sites(sites)
        with self._database.writing() as session:
            accountrows.note(session, "device_code", label.strip(), who, now_ms, sites=sites_json(sites))
            return accountrows.put_code(
                session, "device", "cook", sites_json(sites), who=who, now_ms=now_ms, device=label.strip()
            )

    def enrol(self, typed: str, *, now_ms: int) -> str:
        """Return the secret of a device that a code enrols.

        Raises
        ------
        Refused
            If the code is none, was used or is too old.
        """
        with self._database.writing() as session:
            code = accountrows.spend(session, typed, now_ms, ("device",))
            secret = new_secret()
            session.add(
                SessionRow(
                    digest=digest(secret), account=None, device=code.device, role=code.role,
                    sites=code.sites, begun_ms=now_ms, seen_ms=now_ms, expires_ms=now_ms + DEVICE_LIFE_MS,
                )
            )  # fmt: skip
            accountrows.note(session, "device_enrolled", code.device or "", code.made_by, now_ms)
            return secret

    @staticmethod
    def _person(name: str, role: Role) -> Person:
        tidy = " ".join(name.split())
        if not 1 <= len(tidy) <= Account.LONGEST_NAME:
            raise Refused(f"A name of 1 to {Account.LONGEST_NAME} letters is needed.")
        return Person(name=tidy, role=role)
