import pytest

from deploy import certificates, given_certificate
from services.clock import now_ms
from services.errors import ConfigurationError
from services.timebase import DAY_MS
from tests.helpers.given_files import given_files


@pytest.fixture(scope="module")
def site():
    return certificates.site_authority(["camp.example", "10.0.0.7"], now_ms=now_ms())


def look(folder, pair, root, *hosts, known=True):
    certificate, key, authority = given_files(folder, pair, root)
    return given_certificate.look(
        certificate, key, hosts, authority=authority if known else None, now_ms=now_ms()
    )


def test_a_certificate_with_its_chain_and_root_is_taken(tmp_path, site):
    pair = certificates.of_pages(site.issuer, ["camp.example", "10.0.0.7"], now_ms=now_ms())
    found = look(tmp_path, pair, site.root, "camp.example", "10.0.0.7")
    assert found.hosts == ("camp.example", "10.0.0.7")
    assert found.days == certificates.PAGES_DAYS - 1 or found.days == certificates.PAGES_DAYS
    assert look(tmp_path, pair, site.root).hosts == found.hosts


def test_what_is_wrong_is_said_in_plain_words(tmp_path, site):
    pair = certificates.of_pages(site.issuer, ["camp.example"], now_ms=now_ms())
    alone = certificates.Pair(pair.certificate.split(b"\n-----BEGIN", 1)[0] + b"\n", pair.key)
    other = certificates.of_pages(site.issuer, ["camp.example"], now_ms=now_ms())
    beyond = certificates.of_pages(site.issuer, ["bank.example"], now_ms=now_ms())
    past = certificates.of_pages(site.issuer, ["camp.example"], now_ms=now_ms() - 500 * DAY_MS)
    early = certificates.of_pages(site.issuer, ["camp.example"], now_ms=now_ms() + 9 * DAY_MS)
    wrong = [
        (pair, ("office.example",), True, "not for the name office.example; it is for camp.example"),
        (pair, ("10.0.0.9",), True, "not for the address 10.0.0.9"),
        (pair, (), False, "root that this machine does not know|no known authority"),
        (alone, (), True, "every authority between it and a root"),
        (certificates.Pair(pair.certificate, other.key), (), True, "must come first"),
        (certificates.Pair(pair.certificate, b"no key"), (), True, "holds no key"),
        (certificates.Pair(b"nothing", pair.key), (), True, "holds no certificate"),
        (beyond, (), True, "may not speak for these names"),
        (past, (), True, "ran out 10[0-9] days ago"),
        (early, (), True, "clock"),
    ]
    for given, hosts, known, words in wrong:
        with pytest.raises(ConfigurationError, match=words):
            look(tmp_path, given, site.root, *hosts, known=known)


def test_a_key_that_others_can_read_is_not_used(tmp_path, site):
    pair = certificates.of_pages(site.issuer, ["camp.example"], now_ms=now_ms())
    certificate, key, root = given_files(tmp_path, pair, site.root)
    key.chmod(0o644)
    with pytest.raises(ConfigurationError, match="chmod 600"):
        given_certificate.look(certificate, key, (), authority=root, now_ms=now_ms())
