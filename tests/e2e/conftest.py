"""What journeys share: a browser for each file of tests, and one furnished house with every page."""

import pytest

from tests.helpers.browser import chromium
from tests.helpers.every_page import every_page


@pytest.fixture(scope="module")
def browser():
    with chromium() as found:
        yield found


@pytest.fixture(scope="module")
def house(tmp_path_factory):
    with every_page(tmp_path_factory.mktemp("house")) as found:
        yield found
