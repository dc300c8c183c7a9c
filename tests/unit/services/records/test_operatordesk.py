from services.records.facade import Records


def test_events_are_kept_in_order_newest_first_and_survive_a_restart(tmp_path):
    records = Records(tmp_path / "records.db")
    records.note_event("credential_issued", "v3-meat", {"form": "secret"}, who="Ada Ndlovu", now_ms=10)
    records.note_event("logins_refused", "broker", {"count": 3}, who="ingest", now_ms=30)
    records.note_event("credential_revoked", "v3-meat", {}, who="Ben Otieno", now_ms=20)
    records.close()
    again = Records(tmp_path / "records.db")
    found = again.operator_events()
    assert [(e.kind, e.about, e.who, e.t_ms) for e in found] == [
        ("credential_revoked", "v3-meat", "Ben Otieno", 20),
        ("logins_refused", "broker", "ingest", 30),
        ("credential_issued", "v3-meat", "Ada Ndlovu", 10),
    ]
    assert found[1].body == {"count": 3}
    assert [e.t_ms for e in again.operator_events(since_ms=20)] == [20, 30]
    assert [e.t_ms for e in again.operator_events(kinds=("logins_refused",))] == [30]
    assert len(again.operator_events(limit=1)) == 1
    assert again.operator_events(kinds=()) == []
    again.close()
