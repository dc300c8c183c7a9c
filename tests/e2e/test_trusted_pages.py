"""TLS on a site as a phone meets it: refused, then trusted by an authority somebody installed."""

import pytest
from fastapi import FastAPI
from playwright.sync_api import Error, sync_playwright

from deploy import site_tls
from deploy.site_tls import TlsFolder
from services.clock import now_ms
from tests.helpers.browser import FLAGS, PHONE, chromium_path
from tests.helpers.guarded import CREW, PASSWORD, Guarded
from tests.helpers.larder import open_judged_larder
from tests.helpers.shots import SHOTS
from tests.helpers.trusting import has_nss, home_that_trusts
from tests.helpers.web import serving

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(chromium_path() is None, reason="no Chromium on this machine"),
    pytest.mark.skipif(
        not has_nss(), reason="no library here to install an authority with, as a person would"
    ),
]


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    """A site authority, and a house with accounts that is served by TLS on this machine's address."""
    folder = TlsFolder(tmp_path_factory.mktemp("house") / "tls")
    site_tls.set_up(folder, ["127.0.0.1"], now_ms=now_ms())
    larder = open_judged_larder(tmp_path_factory.mktemp("larder"))
    with serving(Guarded(larder).app, (folder.certificate, folder.key)) as base:
        yield folder, base
    larder.close()


def phone(playwright, env):
    return playwright.chromium.launch(executable_path=chromium_path(), args=list(FLAGS), env=env)


def test_a_phone_that_trusts_the_authority_gets_pages_that_may_keep_things_offline(site, tmp_path):
    folder, base = site
    with sync_playwright() as playwright:
        browser = phone(playwright, home_that_trusts(tmp_path, folder.root.read_bytes()))
        page = browser.new_page(viewport={"width": PHONE[0], "height": PHONE[1]})
        page.set_default_timeout(30_000)
        page.goto(f"{base}/trust")
        assert "no authority of its own" in page.inner_text("main")
        page.goto(f"{base}/login")
        page.get_by_label("Name").fill(CREW["cook"][0])
        page.get_by_label("Password").fill(PASSWORD)
        page.get_by_role("button", name="Log in").click()
        page.wait_for_url("**/camp*")
        assert page.evaluate("isSecureContext")
        assert page.evaluate("'serviceWorker' in navigator && 'randomUUID' in crypto")
        (cookie,) = [one for one in page.context.cookies() if "bushlarder" in one["name"]]
        assert cookie["name"].startswith("__Host-")
        assert cookie["secure"]
        assert cookie["httpOnly"]
        page.screenshot(path=SHOTS / "trusted-camp.png")
        browser.close()


def test_a_phone_that_does_not_know_the_authority_refuses_the_pages(site, tmp_path):
    folder, base = site
    stranger = TlsFolder(tmp_path / "tls")
    site_tls.set_up(stranger, ["127.0.0.1"], now_ms=now_ms())
    assert stranger.root.read_bytes() != folder.root.read_bytes()
    with sync_playwright() as playwright:
        browser = phone(playwright, home_that_trusts(tmp_path, stranger.root.read_bytes()))
        page = browser.new_page()
        page.set_default_timeout(30_000)
        with pytest.raises(Error, match="ERR_CERT_AUTHORITY_INVALID"):
            page.goto(f"{base}/login")
        browser.close()


def test_a_browser_holds_the_authority_to_the_names_it_was_made_for(tmp_path):
    """The issuer's key signs for this machine's address although the authority was made for another one."""
    made = TlsFolder(tmp_path / "tls")
    site_tls.set_up(made, ["10.0.0.7"], now_ms=now_ms())
    issuer = site_tls.Pair(made.issuer.read_bytes(), made.issuer_key.read_bytes())
    stolen = site_tls.certificates.of_pages(issuer, ["127.0.0.1"], now_ms=now_ms())
    made.certificate.write_bytes(stolen.certificate)
    made.key.write_bytes(stolen.key)
    with sync_playwright() as playwright, serving(FastAPI(), (made.certificate, made.key)) as base:
        browser = phone(playwright, home_that_trusts(tmp_path, made.root.read_bytes()))
        page = browser.new_page()
        page.set_default_timeout(30_000)
        with pytest.raises(Error, match="ERR_CERT_"):
            page.goto(f"{base}/login")
        browser.close()
