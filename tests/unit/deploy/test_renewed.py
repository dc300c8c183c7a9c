import ssl

import uvicorn

from deploy.renewed import Renewed
from deploy.site_tls import TlsFolder, set_up
from services.clock import now_ms


def test_a_new_pair_is_taken_and_half_of_one_is_not(tmp_path):
    folder = TlsFolder(tmp_path / "tls")
    set_up(folder, ["127.0.0.1"], now_ms=now_ms())
    config = uvicorn.Config(None, ssl_certfile=folder.certificate, ssl_keyfile=folder.key)
    config.ssl = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    config.ssl.load_cert_chain(folder.certificate, folder.key)
    renewed = Renewed(config, folder.certificate, folder.key)
    assert not renewed.look()
    key = folder.key.read_bytes()
    set_up(folder, (), now_ms=now_ms(), renew=True)
    fresh = folder.key.read_bytes()
    folder.key.write_bytes(key)
    assert not renewed.look()
    folder.key.write_bytes(fresh)
    assert renewed.look()
    assert not renewed.look()
    folder.certificate.unlink()
    assert not renewed.look()
