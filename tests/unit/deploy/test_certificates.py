import shutil
import subprocess

import pytest
from cryptography import x509
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.verification import PolicyBuilder, Store, VerificationError

from deploy import certificates
from services.clock import now_ms
from services.errors import ConfigurationError
from services.timebase import DAY_MS, datetime_of

NOW_MS = 1_790_000_000_000


@pytest.fixture(scope="module")
def authority():
    return certificates.root("Test root", now_ms=NOW_MS)


def _server_verifier(authority, host, at_ms):
    store = Store([x509.load_pem_x509_certificate(authority.certificate)])
    return PolicyBuilder().store(store).time(datetime_of(at_ms)).build_server_verifier(x509.DNSName(host))


def test_the_brokers_certificate_is_for_its_names_and_its_time(authority):
    """Verified by the library's own path validation, which knows nothing of how it was made."""
    made = certificates.of_broker(authority, ["camp.example", "10.0.0.7"], now_ms=NOW_MS)
    leaf = x509.load_pem_x509_certificate(made.certificate)
    assert certificates.hosts_of(made.certificate) == ("camp.example", "10.0.0.7")
    last_ms = NOW_MS + certificates.BROKER_DAYS * DAY_MS
    for at_ms in (NOW_MS, last_ms - 1_000):
        assert _server_verifier(authority, "camp.example", at_ms).verify(leaf, [])[0] == leaf
    for host, at_ms in (
        ("other.example", NOW_MS),
        ("camp.example", last_ms + 1_000),
        ("camp.example", NOW_MS - 2 * DAY_MS),
    ):
        with pytest.raises(VerificationError):
            _server_verifier(authority, host, at_ms).verify(leaf, [])


def test_another_houses_root_vouches_for_nothing_here(authority):
    stranger = certificates.root("Test root", now_ms=NOW_MS)
    leaf = x509.load_pem_x509_certificate(
        certificates.of_broker(authority, ["camp.example"], now_ms=NOW_MS).certificate
    )
    with pytest.raises(VerificationError):
        _server_verifier(stranger, "camp.example", NOW_MS).verify(leaf, [])


def test_a_units_certificate_cannot_be_a_brokers(authority):
    leaf = x509.load_pem_x509_certificate(
        certificates.of_unit(authority, "v3-meat", now_ms=NOW_MS).certificate
    )
    usage = leaf.extensions.get_extension_for_class(x509.ExtendedKeyUsage).value
    assert list(usage) == [x509.oid.ExtendedKeyUsageOID.CLIENT_AUTH]
    with pytest.raises(VerificationError):
        _server_verifier(authority, "v3-meat", NOW_MS).verify(leaf, [])


def test_no_certificate_outlives_the_root(authority):
    late_ms = NOW_MS + (certificates.ROOT_DAYS - 10) * DAY_MS
    leaf = x509.load_pem_x509_certificate(
        certificates.of_unit(authority, "v3-meat", now_ms=late_ms).certificate
    )
    root = x509.load_pem_x509_certificate(authority.certificate)
    assert leaf.not_valid_after_utc == root.not_valid_after_utc
    with pytest.raises(ConfigurationError, match="run out"):
        certificates.of_unit(authority, "v3-meat", now_ms=late_ms + 11 * DAY_MS)


@pytest.mark.parametrize(
    "hosts", [[], ["two words"], ["camp_x.example"], [""], ["a..b"], ["c\u00e4mp.example"]]
)
def test_what_cannot_be_a_host_is_refused(authority, hosts):
    with pytest.raises(ConfigurationError, match="--host"):
        certificates.of_broker(authority, hosts, now_ms=NOW_MS)


def test_days_left_are_counted_down_to_below_nought(authority, tmp_path):
    file = tmp_path / "broker.crt"
    file.write_bytes(certificates.of_broker(authority, ["camp.example"], now_ms=NOW_MS).certificate)
    days = certificates.BROKER_DAYS
    for passed, left in ((0, days), (days - 1, 1), (days, 0), (days + 1, -1)):
        assert certificates.days_left(file, now_ms=NOW_MS + passed * DAY_MS) == left
    file.write_text("none")
    with pytest.raises(ConfigurationError, match=r"broker\.crt"):
        certificates.days_left(file, now_ms=NOW_MS)


def test_lists_of_revoked_certificates_grow_and_do_not_run_out_before_the_root(authority):
    first, second = (certificates.of_unit(authority, f"v3-{k}", now_ms=NOW_MS).certificate for k in "ab")
    one = certificates.revocations(authority, None, [first], now_ms=NOW_MS)
    both = x509.load_pem_x509_crl(certificates.revocations(authority, one, [second], now_ms=NOW_MS + DAY_MS))
    root = x509.load_pem_x509_certificate(authority.certificate)
    assert both.is_signature_valid(root.public_key())
    assert both.next_update_utc == root.not_valid_after_utc
    assert {row.serial_number for row in both} == {
        x509.load_pem_x509_certificate(pem).serial_number for pem in (first, second)
    }


def test_the_wrong_key_signs_nothing(authority):
    other = certificates.root("Other", now_ms=NOW_MS)
    with pytest.raises(ConfigurationError, match="does not belong"):
        certificates.of_unit(certificates.Pair(authority.certificate, other.key), "v3-meat", now_ms=NOW_MS)


def test_keys_are_elliptic_and_named_by_their_fingerprint(authority):
    certificate = x509.load_pem_x509_certificate(authority.certificate)
    assert isinstance(certificate.public_key(), ec.EllipticCurvePublicKey)
    assert len(certificates.fingerprint(authority.certificate).split(":")) == 32


def _openssl_says(folder, made, leaf):
    """Return what another program makes of a certificate, as a browser would use it."""
    (folder / "root.pem").write_bytes(made.root)
    (folder / "issuer.pem").write_bytes(made.issuer.certificate)
    (folder / "leaf.pem").write_bytes(leaf)
    command = ["openssl", "verify", "-purpose", "sslserver", "-CAfile", "root.pem"]
    done = subprocess.run(
        [*command, "-untrusted", "issuer.pem", "leaf.pem"],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
    )
    return done.stdout + done.stderr


@pytest.mark.skipif(shutil.which("openssl") is None, reason="needs the openssl program")
@pytest.mark.parametrize(
    ("site", "taken", "refused"),
    [
        (
            ("camp.lan", "10.0.0.7"),
            [("camp.lan",), ("10.0.0.7",)],
            [("bank.example",), ("10.0.0.8",), ("::1",)],
        ),
        (("10.0.0.7",), [("10.0.0.7",)], [("camp.lan",), ("10.0.0.7", "camp.lan")]),
        (("camp.lan",), [("camp.lan",), ("box.camp.lan",)], [("10.0.0.7",), ("fd00::1",), ("acamp.lan",)]),
    ],
    ids=["both", "addresses-only", "names-only"],
)
def test_a_sites_authority_speaks_for_its_own_names_and_no_others(tmp_path, site, taken, refused):
    made = certificates.site_authority(site, now_ms=now_ms())
    assert certificates.confined_to(made.issuer.certificate) == site
    for hosts in (site, *taken):
        said = _openssl_says(
            tmp_path, made, certificates.of_pages(made.issuer, hosts, now_ms=now_ms()).certificate
        )
        assert said == "leaf.pem: OK\n", hosts
    for hosts in refused:
        said = _openssl_says(
            tmp_path, made, certificates.of_pages(made.issuer, hosts, now_ms=now_ms()).certificate
        )
        assert "subtree violation" in said, hosts


def test_the_issuer_of_a_site_is_bound_where_an_installed_roots_own_limits_are_not_looked_at():
    """The library validates from the root's name and key, and holds the issuer to its limits all the same."""
    made = certificates.site_authority(["camp.lan"], now_ms=NOW_MS)
    issuer = x509.load_pem_x509_certificate(made.issuer.certificate)
    store = Store([x509.load_pem_x509_certificate(made.root)])
    for host, fine in (("camp.lan", True), ("bank.example", False)):
        chain = certificates.of_pages(made.issuer, [host], now_ms=NOW_MS).certificate
        leaf, *between = x509.load_pem_x509_certificates(chain)
        assert between == [issuer]
        at = PolicyBuilder().store(store).time(datetime_of(NOW_MS))
        verifier = at.build_server_verifier(x509.DNSName(host))
        if fine:
            assert verifier.verify(leaf, between)[0] == leaf
        else:
            with pytest.raises(VerificationError):
                verifier.verify(leaf, between)


def test_a_site_needs_a_name_and_a_real_one():
    for hosts in ([], ["no spaces"], ["*.lan"]):
        with pytest.raises(ConfigurationError, match="name"):
            certificates.site_authority(hosts, now_ms=NOW_MS)
