import socket
import ssl
import threading

import pytest

from deploy import certificates
from services.clock import now_ms
from services.tls import client_context


def test_a_connection_to_the_wrong_one_is_closed_at_once(tmp_path):
    authority = certificates.root("Test root", now_ms=now_ms())
    pair = certificates.of_broker(authority, ["camp.example"], now_ms=now_ms())
    for name, raw in (("ca", authority.certificate), ("crt", pair.certificate), ("key", pair.key)):
        (tmp_path / name).write_bytes(raw)
    server = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    server.load_cert_chain(tmp_path / "crt", tmp_path / "key")
    outcomes = []

    def serve(listener):
        for _ in range(2):
            accepted, _ = listener.accept()
            try:
                server.wrap_socket(accepted, server_side=True).close()
                outcomes.append("shook hands")
            except OSError:
                outcomes.append("refused")
            finally:
                accepted.close()

    with socket.create_server(("127.0.0.1", 0)) as listener:
        thread = threading.Thread(target=serve, args=(listener,))
        thread.start()
        context = client_context(tmp_path / "ca")
        for host in ("other.example", "camp.example"):
            plain = socket.create_connection(listener.getsockname(), timeout=5.0)
            if host == "camp.example":
                context.wrap_socket(plain, server_hostname=host).close()
            else:
                with pytest.raises(ssl.SSLCertVerificationError):
                    context.wrap_socket(plain, server_hostname=host)
        thread.join(5.0)
    assert outcomes == ["refused", "shook hands"]
