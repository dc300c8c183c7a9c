import httpx
import pytest
from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding

from dashboards.reports.trustsheet import Trust
from deploy import certificates
from deploy.trust_door import door_app

MADE = certificates.site_authority(["10.0.0.7", "camp.lan"], now_ms=1_790_000_000_000)
ROOM = Trust(
    name="Bushlarder at 10.0.0.7",
    pem=MADE.root,
    der=x509.load_pem_x509_certificate(MADE.root).public_bytes(Encoding.DER),
    fingerprint=certificates.fingerprint(MADE.root),
    until="2036-09-01",
    hosts=("10.0.0.7", "camp.lan"),
    port=8420,
    door=8421,
)


@pytest.fixture
def anyio_backend():
    return "asyncio"


async def ask(path, host="10.0.0.7:8421", method="GET"):
    transport = httpx.ASGITransport(door_app(ROOM))
    async with httpx.AsyncClient(transport=transport, base_url=f"http://{host}") as phone:
        return await phone.request(method, path)


@pytest.mark.anyio
async def test_the_authority_comes_as_phones_and_as_machines_take_it():
    for path, kind in (("crt", "application/x-x509-ca-cert"), ("pem", "application/x-pem-file")):
        answer = await ask(f"/trust/authority.{path}")
        assert answer.status_code == 200
        assert answer.headers["content-type"] == kind
        load = x509.load_der_x509_certificate if path == "crt" else x509.load_pem_x509_certificate
        assert load(answer.content) == x509.load_pem_x509_certificate(MADE.root)


@pytest.mark.anyio
async def test_the_page_says_what_to_compare_install_and_remove_and_asks_nobody_else():
    answer = await ask("/trust")
    assert answer.status_code == 200
    assert "default-src 'self'" in answer.headers["content-security-policy"]
    assert "strict-transport-security" not in answer.headers
    for words in (ROOM.fingerprint, "http://10.0.0.7:8421/trust", "https://camp.lan:8420", "2036-09-01"):
        assert words in answer.text
    for words in ("Android", "iPhone", "Windows", "Remove it again", "sign by sign"):
        assert words in answer.text
    assert answer.text.count("<svg") == 1
    assert len(answer.content) < 16_000


@pytest.mark.anyio
@pytest.mark.parametrize(
    "path", ["/", "/fleet?place=river", "/api/v1/units", "/health", "/login", "/static/x"]
)
async def test_everything_else_is_sent_to_the_encrypted_pages(path):
    for host, pages in (
        ("10.0.0.7:8421", "https://10.0.0.7:8420"),
        ("CAMP.lan:8421", "https://camp.lan:8420"),
        ("bank.example", "https://10.0.0.7:8420"),
    ):
        answer = await ask(path, host)
        assert answer.status_code == 307
        assert answer.headers["location"] == f"{pages}{path}"
        assert "set-cookie" not in answer.headers


@pytest.mark.anyio
@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE"])
async def test_nothing_is_taken_without_encryption(method):
    for path in ("/login", "/trust", "/api/v1/checks"):
        assert (await ask(path, method=method)).status_code == 405
