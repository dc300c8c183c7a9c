"""The administrator's page of the records as a whole, over a real database and real files."""

import asyncio
import hashlib
import io
import json
import sqlite3
import stat
import threading
import zipfile
from html import unescape

import pytest

from deploy.records_room import RecordsRoom
from services.api.recordsroom import Task
from services.timebase import DAY_MS, MINUTE_MS
from tests.helpers.guarded import CREW, Guarded
from tests.helpers.larder import NOW_MS, open_larder

ADA, JONAS = CREW["administrator"][0], CREW["cook"][0]
LIFE_MS = 60 * MINUTE_MS


@pytest.fixture
def anyio_backend():
    return "asyncio"


@pytest.fixture
def house(tmp_path):
    larder = open_larder(tmp_path)
    guarded = Guarded(larder)
    guarded.folder = tmp_path
    guarded.enough = True
    guarded.room = guarded.app.state.records_room = RecordsRoom(
        larder.records,
        tmp_path / ".records-exports",
        keep_days=731,
        clock=lambda: guarded.now_ms,
        enough=lambda: guarded.enough,
        life_ms=LIFE_MS,
    )
    yield guarded
    larder.close()


async def ended(house):
    """Wait until what was begun has come to its end."""
    for _ in range(3000):
        task = house.room.state().task
        if task is not None and task.ended_ms is not None:
            return task
        await asyncio.sleep(0.02)
    pytest.fail("it never ended")
    return None


@pytest.mark.anyio
async def test_somebody_looks_over_the_chain_and_the_page_says_who_and_when(house):
    async with house.come_in("administrator") as ada:
        before = await ada.get("/records")
        assert "Nobody has looked it over yet." in before.text
        links, head = house.records.chain_head()
        assert head in before.text
        assert (
            await ada.post("/records/verify", data={"head": head.upper()[:32] + " " + head[32:]})
        ).status_code == 303
        await ended(house)
        page = unescape((await ada.get("/records")).text)
        assert f"by {ADA}: {links} records, every one holds." in page
        assert "731 days" in page
        assert house.records.chain_head()[0] == links + 1, "that somebody looked is part of the chain"
        other = await ada.post("/records/verify", data={"head": "0" * 64})
        assert other.status_code == 303
        task = await ended(house)
        assert [fault.kind for fault in task.checked.faults] == ["other_past"]
        assert "what came before it was written anew" in unescape((await ada.get("/records")).text)
        assert (await ada.post("/records/verify", data={"head": "not a link"})).status_code == 422


@pytest.mark.anyio
async def test_a_record_that_was_changed_is_said_on_the_page_and_stays_said(house):
    house.records.say_note("v3-meat", who=JONAS, note="lid open", now_ms=NOW_MS)
    connection = sqlite3.connect(house.folder / "records.db")
    connection.execute("UPDATE statements SET who = 'Thandi M.' WHERE no = 1")
    connection.commit()
    connection.close()
    async with house.come_in("administrator") as ada:
        await ada.post("/records/verify")
        await ended(house)
        page = unescape((await ada.get("/records")).text)
    assert "is not what was written" in page
    assert "Statements 1 (link" in page
    assert "1 fault." in page
    assert house.records.last_verified().faults == 1


@pytest.mark.anyio
@pytest.mark.parametrize("form", ["csv", "parquet", "json"])
async def test_everything_comes_as_one_file_that_ends(house, form):
    house.records.say_note("v3-meat", who=JONAS, note="lid open", now_ms=NOW_MS)
    async with house.come_in("administrator") as ada:
        assert (await ada.post("/records/export", data={"form": form})).status_code == 303
        assert (await ended(house)).refused == ""
        (file,) = house.room.state().files
        page = await ada.get("/records")
        assert file.sha256 in page.text
        address = f"/records/exports/{file.token}"
        assert address in page.text
        answer = await ada.get(address)
        assert answer.headers["content-disposition"].endswith(f'-{form}.zip"')
        assert answer.headers["cache-control"] == "no-store"
        assert (len(answer.content), hashlib.sha256(answer.content).hexdigest()) == (
            file.size_bytes, file.sha256,
        )  # fmt: skip
        whole = zipfile.ZipFile(io.BytesIO(answer.content))
        names = {name.rpartition("/")[2]: name for name in whole.namelist()}
        manifest = json.loads(whole.read(names["manifest.json"]))
        for name, told in manifest["files"].items():
            assert hashlib.sha256(whole.read(names[name])).hexdigest() == told["sha256"]
        assert manifest["files"][f"statements.{form}"]["rows"] == 1
        assert stat.S_IMODE(file.path.stat().st_mode) == 0o600
        assert stat.S_IMODE(file.path.parent.stat().st_mode) == 0o700
        assert [path.name for path in file.path.parent.iterdir()] == [file.path.name]
        house.now_ms += LIFE_MS
        assert (await ada.get(address)).status_code == 404
        assert not file.path.exists()
    (told,) = house.records.operator_events(kinds=("records_exported",))
    assert (told.who, told.body["sha256"]) == (ADA, file.sha256)


@pytest.mark.anyio
async def test_an_export_is_for_the_administrator_and_not_for_who_only_has_its_address(house):
    async with house.come_in("administrator") as ada:
        await ada.post("/records/export", data={"form": "json"})
        await ended(house)
        (file,) = house.room.state().files
        address = f"/records/exports/{file.token}"
        token = house.records.give_token("robot", "administrator", None, who=ADA, now_ms=NOW_MS)
        async with house.browser(accept="application/json") as stranger, house.program(token) as robot:
            assert (await stranger.get(address)).status_code == 401
            assert (await robot.get(address)).status_code == 403
        for role in ("manager", "cook", "workshop", "inspector"):
            async with house.come_in(role, accept="application/json") as other:
                for path in (address, "/records", "/records/forget?name=x"):
                    assert (await other.get(path)).status_code == 403, (role, path)
        assert (await ada.get("/records/exports/" + "A" * 43)).status_code == 404
        assert (await ada.get("/records/exports/..%2f..%2frecords.db")).status_code in {404, 422}


@pytest.mark.anyio
async def test_where_the_disk_is_full_nothing_is_exported_and_two_things_are_not_done_at_once(house):
    async with house.come_in("administrator") as ada:
        house.enough = False
        full = await ada.post("/records/export", data={"form": "csv"})
        assert (full.status_code, "too little room" in full.text) == (409, True)
        house.enough = True
        gate = threading.Event()
        house.room._begin(Task("verify", ADA, NOW_MS), lambda _: gate.wait(60))
        busy = await ada.post("/records/export", data={"form": "csv"})
        shown = await ada.get("/records")
        gate.set()
        assert (busy.status_code, "Something is being done already" in busy.text) == (409, True)
        assert f"by {ADA}" in shown.text
        await ended(house)


@pytest.mark.anyio
async def test_a_person_is_taken_out_in_two_steps_with_the_name_typed(house):
    house.records.say_note("v3-meat", who=JONAS, note=f"{JONAS} was here", now_ms=NOW_MS)
    async with house.come_in("administrator") as ada, house.come_in("cook") as jonas:
        await ada.post("/records/export", data={"form": "json"})
        await ended(house)
        (file,) = house.room.state().files
        asked = await ada.get("/records/forget", params={"name": f" {JONAS} "})
        assert "What stays:" in asked.text
        assert "This is you" not in asked.text
        wrong = await ada.post("/records/forget", data={"name": JONAS, "typed": "jonas"})
        assert (wrong.status_code, "not the name" in wrong.text) == (422, True)
        assert house.records.statements("v3-meat")[0].who == JONAS
        done = await ada.post("/records/forget", data={"name": JONAS, "typed": JONAS})
        assert done.status_code == 303
        await ended(house)
        page = unescape((await ada.get("/records")).text)
        assert "Removed person 1 stands in place of the name now" in page
        assert not file.path.exists(), "an export made before holds the name"
        assert (await jonas.get("/camp")).status_code == 303
        (said,) = house.records.statements("v3-meat")
        assert (said.who, said.body["note"]) == ("Removed person 1", "Removed person 1 was here")
        again = await ada.post("/records/forget", data={"name": JONAS, "typed": JONAS})
        assert again.status_code == 303
        await ended(house)
        assert "There is nobody called" in (await ada.get("/records")).text
        me = await ada.get("/records/forget", params={"name": ADA})
        assert "This is you" in me.text
        await ada.post("/records/forget", data={"name": ADA, "typed": ADA})
        assert (await ended(house)).forgotten is None, "nobody could let people in any more"
    assert house.records.verify_chain().faults == []
    left = b"".join(path.read_bytes() for path in house.folder.glob("records.db*"))
    assert b"Jonas" not in left


def test_a_process_that_begins_lets_go_of_what_the_last_one_left(house, tmp_path):
    left = tmp_path / ".records-exports"
    left.mkdir(exist_ok=True)
    (left / "old.zip").write_bytes(b"names")
    RecordsRoom(house.records, left, keep_days=1, clock=lambda: NOW_MS + DAY_MS)
    assert not left.exists()
