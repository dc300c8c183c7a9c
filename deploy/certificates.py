"""Small certificate authorities of the house: for broker and units, and for the pages on a site.

Keys are ECDSA on P-256, which small radios manage. Where they lie and who may read them is decided elsewhere.
"""

import ipaddress
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from services.errors import ConfigurationError
from services.timebase import DAY_MS, datetime_of

ROOT_DAYS = 3_650
BROKER_DAYS = PAGES_DAYS = 397
UNIT_DAYS = 1_825
"""How long each kind of certificate holds. [d] Judgement: a unit in the bush is not renewed every year."""
REMIND_DAYS = 30
"""When to speak of renewal. [d] Judgement: long enough to reach every camp once."""
_BACK_DAYS = 1
"""Begins so long before it is made, for clocks that are behind. [d]"""
_LONGEST_NAME = 40
"""Of a host in a common name, which holds 64 characters (RFC 5280, appendix A.1)."""
PAGES_SETTING = "--name, --address"

_DIGITAL_SIGNATURE = dict.fromkeys(
    (
        "content_commitment",
        "key_encipherment",
        "data_encipherment",
        "key_agreement",
        "key_cert_sign",
        "crl_sign",
        "encipher_only",
        "decipher_only",
    ),
    False,
)


@dataclass(frozen=True)
class Pair:
    """A certificate and its private key, both as PEM."""

    certificate: bytes
    key: bytes


@dataclass(frozen=True)
class SiteAuthority:
    """What phones trust, and what signs for the pages in its name."""

    root: bytes
    """The root's certificate, as PEM. Its key signed once and is kept nowhere."""
    issuer: Pair
    """Signed by the root for the site's names and addresses; its key is of use for no others."""


def site_authority(hosts: Sequence[str], *, now_ms: int) -> SiteAuthority:
    """Return a new authority that can speak for these host names and addresses only.

    Both its certificates carry the name constraints of RFC 5280, 4.2.1.10. Path validation need not look at
    those of an installed root (6.1.1 d takes its name and key only), so the key that could sign past them is
    thrown away, and what signs from then on is an issuer below it, whose constraints everybody checks.

    Raises
    ------
    ConfigurationError
        If there is no name, or one that cannot be a host's.
    """
    limits = _only_for(hosts)
    root_key = ec.generate_private_key(ec.SECP256R1())
    first = hosts[0][:_LONGEST_NAME]
    top = _authority(_name(f"Bushlarder at {first}"), None, root_key, root_key, 1, limits, now_ms=now_ms)
    key = ec.generate_private_key(ec.SECP256R1())
    issuer = _authority(_name(f"Pages at {first}"), top, key, root_key, 0, limits, now_ms=now_ms)
    return SiteAuthority(top.public_bytes(serialization.Encoding.PEM), _pair(issuer, key))


def of_pages(issuer: Pair, hosts: Sequence[str], *, now_ms: int) -> Pair:
    """Return a certificate for pages reached by these names and addresses, its issuer behind it.

    Its common name is no host's: where it looks like one it is held against the constraints, too.
    """
    names = x509.SubjectAlternativeName([_general_name(host, PAGES_SETTING) for host in hosts])
    purpose = ExtendedKeyUsageOID.SERVER_AUTH
    leaf = _leaf(issuer, "Bushlarder pages", purpose, names, days=PAGES_DAYS, now_ms=now_ms)
    return Pair(leaf.certificate + issuer.certificate, leaf.key)


def root(name: str, *, now_ms: int) -> Pair:
    """Return a new root that may sign certificates of broker and units, and nothing below them."""
    key = ec.generate_private_key(ec.SECP256R1())
    subject = _name(name)
    return _pair(_authority(subject, None, key, key, 0, None, now_ms=now_ms), key)


def of_broker(authority: Pair, hosts: Sequence[str], *, now_ms: int) -> Pair:
    """Return a certificate for a broker that answers to these host names and addresses.

    Raises
    ------
    ConfigurationError
        If there is no name, or one that cannot be a host's.
    """
    if not hosts:
        raise ConfigurationError("a broker needs a name that units can reach it by", setting="--host")
    names = x509.SubjectAlternativeName([_general_name(host) for host in hosts])
    return _leaf(authority, hosts[0], ExtendedKeyUsageOID.SERVER_AUTH, names, days=BROKER_DAYS, now_ms=now_ms)


def of_unit(authority: Pair, unit: str, *, now_ms: int) -> Pair:
    """Return a certificate whose common name is the unit's id: the broker takes it for the user name."""
    return _leaf(authority, unit, ExtendedKeyUsageOID.CLIENT_AUTH, None, days=UNIT_DAYS, now_ms=now_ms)


def revocations(authority: Pair, before: bytes | None, revoked: Sequence[bytes], *, now_ms: int) -> bytes:
    """Return the list of revoked certificates: what an earlier list held, and these.

    It names no early date for the next list: a list that runs out would shut out every unit.
    """
    parent, key = _opened(authority)
    begins = _instant(now_ms)
    builder = (
        x509.CertificateRevocationListBuilder()
        .issuer_name(parent.subject)
        .last_update(begins - timedelta(days=_BACK_DAYS))
        .next_update(parent.not_valid_after_utc)
    )
    serials = {x509.load_pem_x509_certificate(pem).serial_number: begins for pem in revoked}
    if before is not None:
        serials |= {row.serial_number: row.revocation_date_utc for row in x509.load_pem_x509_crl(before)}
    for serial, since in serials.items():
        row = x509.RevokedCertificateBuilder().serial_number(serial).revocation_date(since).build()
        builder = builder.add_revoked_certificate(row)
    return builder.sign(key, hashes.SHA256()).public_bytes(serialization.Encoding.PEM)


def days_left(path: Path, *, now_ms: int) -> int:
    """Return how many whole days a certificate still holds; negative once it has run out.

    Raises
    ------
    ConfigurationError
        If the file cannot be read or holds no certificate.
    """
    try:
        certificate = x509.load_pem_x509_certificate(path.read_bytes())
    except (OSError, ValueError) as error:
        raise ConfigurationError(
            f"holds no certificate that can be read: {error}", setting=path.name
        ) from error
    left = certificate.not_valid_after_utc - _instant(now_ms)
    return left // timedelta(milliseconds=DAY_MS)


def hosts_of(certificate: bytes) -> tuple[str, ...]:
    """Return the host names and addresses a broker's certificate is for."""
    names = x509.load_pem_x509_certificate(certificate).extensions.get_extension_for_class(
        x509.SubjectAlternativeName
    )
    return tuple(str(name.value) for name in names.value)


def confined_to(authority: bytes) -> tuple[str, ...]:
    """Return the names and addresses an authority of a site may speak for."""
    found = x509.load_pem_x509_certificate(authority).extensions.get_extension_for_class(x509.NameConstraints)
    # an address stands there as a network of one
    return tuple(str(name.value).split("/")[0] for name in found.value.permitted_subtrees or ())


def fingerprint(certificate: bytes) -> str:
    """Return the SHA-256 of a certificate, for comparing over the telephone."""
    digest = x509.load_pem_x509_certificate(certificate).fingerprint(hashes.SHA256()).hex().upper()
    return ":".join(digest[at : at + 2] for at in range(0, len(digest), 2))


def _authority(  # noqa: PLR0917 - a certificate has as many parts as it has
    subject: x509.Name,
    parent: x509.Certificate | None,
    key: ec.EllipticCurvePrivateKey,
    signing: ec.EllipticCurvePrivateKey,
    below: int,
    limits: x509.NameConstraints | None,
    *,
    now_ms: int,
) -> x509.Certificate:
    """Return a certificate that may sign others, so many authorities below it; without a parent a root."""
    usage = _DIGITAL_SIGNATURE | {"key_cert_sign": True, "crl_sign": True}
    builder = (
        _builder(subject, subject if parent is None else parent.subject, key.public_key(), now_ms=now_ms)
        .not_valid_after(_instant(now_ms) + timedelta(days=ROOT_DAYS))
        .add_extension(x509.BasicConstraints(ca=True, path_length=below), critical=True)
        .add_extension(x509.KeyUsage(digital_signature=False, **usage), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
    )
    if parent is not None:
        signer = x509.AuthorityKeyIdentifier.from_issuer_public_key(signing.public_key())
        builder = builder.add_extension(signer, critical=False)
    if limits is not None:
        builder = builder.add_extension(limits, critical=True)
    return builder.sign(signing, hashes.SHA256())


def _only_for(hosts: Sequence[str]) -> x509.NameConstraints:
    """Return what confines an authority to hosts.

    A kind of name that is not mentioned would be free (RFC 5280, 4.2.1.10), so the kind that is not used is
    shut out as a whole: by the empty name, or by every address there is.
    """
    if not hosts:
        raise ConfigurationError("the pages need a name or address to be reached by", setting=PAGES_SETTING)
    names = [_general_name(host, PAGES_SETTING) for host in hosts]
    permitted: list[x509.GeneralName] = [
        x509.IPAddress(ipaddress.ip_network(name.value)) if isinstance(name, x509.IPAddress) else name
        for name in names
    ]
    shut: list[x509.GeneralName] = []
    if not any(isinstance(name, x509.DNSName) for name in names):
        shut.append(x509.DNSName(""))
    if not any(isinstance(name, x509.IPAddress) for name in names):
        shut += [x509.IPAddress(ipaddress.ip_network(every)) for every in ("0.0.0.0/0", "::/0")]
    return x509.NameConstraints(permitted_subtrees=permitted, excluded_subtrees=shut or None)


def _leaf(
    authority: Pair,
    common_name: str,
    purpose: x509.ObjectIdentifier,
    names: x509.SubjectAlternativeName | None,
    *,
    days: int,
    now_ms: int,
) -> Pair:
    parent, parent_key = _opened(authority)
    key = ec.generate_private_key(ec.SECP256R1())
    if parent.not_valid_after_utc <= _instant(now_ms):
        raise ConfigurationError("the root itself has run out: set up the broker anew", setting="authority")
    builder = (
        _builder(_name(common_name), parent.subject, key.public_key(), now_ms=now_ms)
        .not_valid_after(min(_instant(now_ms) + timedelta(days=days), parent.not_valid_after_utc))
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.KeyUsage(digital_signature=True, **_DIGITAL_SIGNATURE), critical=True)
        .add_extension(x509.ExtendedKeyUsage([purpose]), critical=False)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key(parent_key.public_key()), critical=False
        )
    )
    if names is not None:
        builder = builder.add_extension(names, critical=False)
    return _pair(builder.sign(parent_key, hashes.SHA256()), key)


def _builder(
    subject: x509.Name, issuer: x509.Name, key: ec.EllipticCurvePublicKey, *, now_ms: int
) -> x509.CertificateBuilder:
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key)
        .serial_number(x509.random_serial_number())
        .not_valid_before(_instant(now_ms) - timedelta(days=_BACK_DAYS))
    )


def _opened(authority: Pair) -> tuple[x509.Certificate, ec.EllipticCurvePrivateKey]:
    certificate = x509.load_pem_x509_certificate(authority.certificate)
    key = serialization.load_pem_private_key(authority.key, password=None)
    if not isinstance(key, ec.EllipticCurvePrivateKey) or key.public_key() != certificate.public_key():
        raise ConfigurationError("the key does not belong to the root certificate", setting="authority")
    return certificate, key


def _pair(certificate: x509.Certificate, key: ec.EllipticCurvePrivateKey) -> Pair:
    return Pair(
        certificate.public_bytes(serialization.Encoding.PEM),
        key.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        ),
    )


def _name(common_name: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, common_name)])


def _general_name(host: str, setting: str = "--host") -> x509.GeneralName:
    try:
        return x509.IPAddress(ipaddress.ip_address(host))
    except ValueError:
        pass
    labels = host.split(".")
    if not all(label.replace("-", "").isalnum() and label.isascii() for label in labels):
        raise ConfigurationError(f"{host!r} is neither a host name nor an address", setting=setting)
    return x509.DNSName(host)


def _instant(now_ms: int) -> datetime:
    return datetime_of(now_ms).replace(microsecond=0)
