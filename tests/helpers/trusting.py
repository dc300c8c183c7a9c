"""Makes a home in which Chromium trusts an authority: the certificate store of its own library, NSS."""

import ctypes
import ctypes.util
import os
import subprocess
import sys
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding

_TRUSTED_FOR_SERVERS = "C,,"


def has_nss() -> bool:
    """Return whether the library is there that Chromium keeps certificates with."""
    return all(ctypes.util.find_library(name) is not None for name in ("nss3", "smime3"))


def home_that_trusts(home: Path, root_pem: bytes) -> dict[str, str]:
    """Return the environment of a browser whose user installed an authority, in a process of its own."""
    folder = home / ".pki" / "nssdb"
    folder.mkdir(parents=True)
    (home / "root.der").write_bytes(x509.load_pem_x509_certificate(root_pem).public_bytes(Encoding.DER))
    subprocess.run([sys.executable, __file__, str(folder), str(home / "root.der")], check=True, timeout=60)
    return {**os.environ, "HOME": str(home), "XDG_CONFIG_HOME": str(home / ".config")}


class _Trust(ctypes.Structure):
    _fields_ = (("ssl", ctypes.c_uint), ("email", ctypes.c_uint), ("object", ctypes.c_uint))


def _install(folder: str, file: str) -> None:
    """Do what a person does in the settings of a browser: import an authority for web sites."""
    nss, smime = ctypes.CDLL("libnss3.so"), ctypes.CDLL("libsmime3.so")
    for handle in (nss.PK11_GetInternalKeySlot, nss.CERT_GetDefaultCertDB, smime.CERT_DecodeCertFromPackage):
        handle.restype = ctypes.c_void_p
    content = Path(file).read_bytes()
    trust = _Trust()

    def done(code: int, what: str) -> None:
        if code != 0:
            raise RuntimeError(f"{what} failed")

    done(nss.NSS_InitReadWrite(f"sql:{folder}".encode()), "opening")
    slot = ctypes.c_void_p(nss.PK11_GetInternalKeySlot())
    done(nss.PK11_InitPin(slot, None, None), "a store without a password")
    certificate = ctypes.c_void_p(smime.CERT_DecodeCertFromPackage(content, len(content)))
    done(nss.PK11_ImportCert(slot, certificate, ctypes.c_ulong(0), b"site", 0), "import")
    done(nss.CERT_DecodeTrustString(ctypes.byref(trust), _TRUSTED_FOR_SERVERS.encode()), "trust")
    database = ctypes.c_void_p(nss.CERT_GetDefaultCertDB())
    done(nss.CERT_ChangeCertTrust(database, certificate, ctypes.byref(trust)), "trusting")
    nss.CERT_DestroyCertificate(certificate)
    nss.PK11_FreeSlot(slot)
    done(nss.NSS_Shutdown(), "closing")


if __name__ == "__main__":
    _install(*sys.argv[1:])
