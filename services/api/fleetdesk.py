"""The part of the desk at which the fleet is described anew."""

from collections.abc import Mapping, Sequence
from typing import Any

from services.api.credentialport import ISSUED, REVOKED
from services.api.fleetplan import Plan, RowsPlan, carry_out, plan_of_rows, plan_of_tables, remarks_on
from services.api.fleetport import AsDescribed
from services.api.historyport import Happened
from services.api.noticedesk import NoticeDesk
from services.domain.fleetcells import Kind
from services.domain.fleetcheck import Remark
from services.domain.fleetfile import tables_of
from services.errors import Refused


class FleetDesk(NoticeDesk):
    """Plans what changes of sites, banks and units, and carries it out."""

    def described(self) -> AsDescribed:
        """Return the fleet as it is described, whatever people said of its units' use since."""
        return self._records.described()

    def described_row(self, kind: Kind, key: str) -> int:
        """Return the number of the newest description of something; 0 where there is none."""
        return self._records.described_row(kind, key)[0]

    def plan_thing(self, kind: Kind, key: str, table: Mapping[str, Any] | None) -> Plan:
        """Return what it comes to if something is described so; None takes it off the list.

        Raises
        ------
        FleetFileError
            Listing everything that is wrong with it.
        """
        tables = tables_of(self._records.described().fleet)
        rows = tables[kind]
        at = next((index for index, row in enumerate(rows) if row["id"] == key), len(rows))
        rows[at : at + 1] = [] if table is None else [dict(table)]
        return plan_of_tables(self._records, tables)

    def plan_rows(self, data: bytes) -> RowsPlan:
        """Return what a file of rows comes to."""
        return plan_of_rows(self._records, data)

    def carry_out(self, plan: Plan, *, who: str, why: str, from_ms: int | None = None) -> None:
        """Make the fleet what is planned (see `fleetplan.carry_out` for what is refused)."""
        carry_out(self._records, plan, who=who, why=why, now_ms=self.now_ms(), from_ms=from_ms)

    def remarks_on(self, unit: str) -> list[Remark]:
        """Return what the operator should mend in one unit as it stands."""
        return remarks_on(self._records.fleet().settings_of(unit))

    def credential_events(self) -> Sequence[Happened]:
        """Return when units were given a credential or shut out, newest first."""
        return self._records.operator_events(kinds=(ISSUED, REVOKED), limit=None)

    def require_unchanged(self, kind: Kind, key: str, row: int) -> None:
        """Refuse if something was described anew since a page of it was shown."""
        if self.described_row(kind, key) != row:
            raise Refused("Somebody described it anew since this page was opened. Look at it again.")
