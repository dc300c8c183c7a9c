import pytest

from tests.helpers.guarded import Guarded
from tests.helpers.larder import open_judged_larder

pytestmark = pytest.mark.anyio


@pytest.fixture
def anyio_backend():
    return "asyncio"


@pytest.fixture(scope="module")
def larder(tmp_path_factory):
    found = open_judged_larder(tmp_path_factory.mktemp("larder"))
    yield found
    found.close()


@pytest.fixture
def guarded(larder):
    return Guarded(larder)


async def test_language_and_scale_follow_a_person_from_browser_to_browser(guarded):
    async with guarded.come_in("manager") as here, guarded.come_in("manager") as there:
        await here.post("/language", data={"language": "pt", "degrees": "c"})
        assert '<html lang="pt"' in (await here.get("/account")).text
        answer = await here.post("/account/reading", data={"language": "fr", "degrees": "f"})
        assert (answer.status_code, answer.headers["location"]) == (303, "/account?done=reading")
        for browser in (here, there):
            page = (await browser.get("/units/v3-meat")).text
            assert '<html lang="fr"' in page
            assert 'name="scale" value="f"' in page
        async with guarded.come_in("cook") as other:
            assert '<html lang="en"' in (await other.get("/account")).text, "one's own, nobody else's"
        await here.post("/account/reading", data={"language": "", "degrees": ""})
        assert '<html lang="en"' in (await there.get("/account")).text


async def test_what_was_chosen_in_a_browser_wins_there(guarded):
    async with guarded.come_in("manager") as here, guarded.come_in("manager") as shared:
        await shared.post("/language", data={"language": "sw", "degrees": "c"})
        await here.post("/account/reading", data={"language": "fr", "degrees": "f"})
        page = (await shared.get("/units/v3-meat")).text
        assert '<html lang="sw"' in page
        assert 'name="scale"' not in page


async def test_the_account_comes_before_what_a_browser_says_of_itself(guarded):
    async with guarded.come_in("inspector", **{"accept-language": "af"}) as here:
        assert '<html lang="af"' in (await here.get("/account")).text
        await here.post("/account/reading", data={"language": "en", "degrees": ""})
        assert '<html lang="en"' in (await here.get("/account")).text


async def test_only_what_there_is_can_be_chosen(guarded):
    async with guarded.come_in("manager") as here:
        for wrong in ({"language": "xx"}, {"degrees": "k"}):
            assert (await here.post("/account/reading", data=wrong)).status_code == 422
