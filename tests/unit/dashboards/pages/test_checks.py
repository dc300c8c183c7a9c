"""What is said at a cabinet: checks, readings, calls for help and their answers."""

import pytest

from tests.helpers.guarded import Guarded
from tests.helpers.larder import open_larder

pytestmark = pytest.mark.anyio
CHECK = "/camp/river-camp/check"


@pytest.fixture
def guarded(tmp_path):
    larder = open_larder(tmp_path)
    yield Guarded(larder)
    larder.close()


async def test_a_check_is_signed_and_a_reading_taken_on_one_page(guarded):
    async with guarded.come_in("cook") as browser:
        said = {"unit": "camp-fish", "person": "Jonas K."}
        assert (await browser.post(CHECK, data={**said, "kind": "checked"})).status_code == 303
        answer = await browser.post(
            CHECK, data={**said, "kind": "probe", "probe_c": "-19", "surface_c": "-18,5"}
        )
        assert answer.headers["location"] == f"{CHECK}?noted=camp-fish"
        assert "Written down: Fish freezer" in (await browser.get(answer.headers["location"])).text
        elsewhere = await browser.post(CHECK, data={**said, "unit": "v3-meat", "kind": "checked"})
        assert elsewhere.status_code == 422
    probe, signed = guarded.records.statements("camp-fish")
    assert (probe.body["probe_c"], probe.body["surface_c"], signed.kind) == (-19.0, -18.5, "checked")


async def test_a_call_for_help_stands_on_the_manager_s_page_until_somebody_answers(guarded):
    async with guarded.come_in("cook") as cook, guarded.come_in("manager") as manager:
        assert "asks for help" not in (await manager.get("/fleet")).text
        asked = {"unit": "camp-fish", "person": "Jonas K.", "kind": "help", "note": "lid is broken"}
        await cook.post(CHECK, data=asked)
        words = "Jonas K. asks for help at Fish freezer: lid is broken"
        assert words in (await manager.get("/fleet")).text
        assert words in (await cook.get(CHECK)).text
        assert f'href="{CHECK}#calls"' in (await manager.get("/fleet")).text
        done = {**asked, "person": "Thandi M.", "kind": "helped", "note": "a spare lid is on its way"}
        assert (await manager.post(CHECK, data=done)).status_code == 303
        assert words not in (await manager.get("/fleet")).text
        history = (await manager.get("/history")).text
        assert "lid is broken" in history
        assert "a spare lid is on its way" in history
