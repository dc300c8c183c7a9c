"""Mail, handed in to a real mail server."""

import socket
import threading
import time
from dataclasses import replace

import pytest

from deploy import certificates
from services.notify.failures import NotTakenError
from services.notify.mail import MailSender, MailServer, NoMailServer
from services.notify.providers import server_of
from tests.helpers.mailserver import Mailbox, mail_server
from tests.helpers.messages import NOW_MS, message


@pytest.fixture
def mailbox():
    return Mailbox()


@pytest.fixture
def server(mailbox):
    with mail_server(mailbox) as port:
        yield MailServer("127.0.0.1", port, "none", "Kudu camp <box@camp.example>")


def send(server, **changes):
    return MailSender(server, lambda: NOW_MS)(message(**changes))


def test_a_mail_says_who_what_and_when_and_has_a_number_made_of_its_key(server, mailbox):
    words = send(
        server, key="k", subject="Kühl:\r\nBcc: x@y.example", body="Fleisch 9 °C.\nWärmt.", priority="high"
    )
    assert words == "Taken by the mail server 127.0.0.1."
    (mail,) = mailbox.got
    assert mailbox.to == [["asha@camp.example"]]
    assert (mail["From"], mail["To"]) == ("Kudu camp <box@camp.example>", "asha@camp.example")
    assert mail["Subject"] == "Kühl: Bcc: x@y.example", "a subject cannot become a header"
    assert mail["Bcc"] is None
    assert mail.get_content().splitlines() == ["Fleisch 9 °C.", "Wärmt."]
    assert mail["Auto-Submitted"] == "auto-generated"
    assert mail["Importance"] == "high"
    assert mail["Date"].datetime.timestamp() * 1000 == NOW_MS


def test_the_same_message_has_the_same_number_and_those_of_one_notice_belong_together(server, mailbox):
    for key in ("a", "a", "b"):
        send(server, key=key)
    first, again, other = (mail["Message-ID"] for mail in mailbox.got)
    assert first == again != other
    assert first.endswith("@camp.example>")
    assert len({mail["References"] for mail in mailbox.got}) == 1


def test_a_mailbox_that_is_not_there_is_given_up_and_a_full_one_is_not(server, mailbox):
    mailbox.unknown = {"asha@camp.example"}
    with pytest.raises(NotTakenError, match="refused the address the message goes to") as refused:
        send(server)
    assert refused.value.lasting
    assert "asha" not in refused.value.words
    mailbox.unknown, mailbox.answer = set(), "452 4.2.2 mailbox full"
    with pytest.raises(NotTakenError, match="mailbox full") as full:
        send(server)
    assert not full.value.lasting


@pytest.fixture(scope="module")
def authority(tmp_path_factory):
    folder = tmp_path_factory.mktemp("tls")
    root = certificates.root("Test root", now_ms=int(time.time() * 1000))
    pair = certificates.of_broker(root, ["127.0.0.1", "localhost"], now_ms=int(time.time() * 1000))
    for name, text in (("ca", root.certificate), ("crt", pair.certificate), ("key", pair.key)):
        (folder / name).write_bytes(text)
    return folder


@pytest.mark.parametrize("mode", ["starttls", "tls"])
def test_login_over_tls_works_and_a_wrong_password_is_said(authority, mailbox, mode):
    pair = (authority / "crt", authority / "key")
    login = ("box@camp.example", "very-private")
    with mail_server(mailbox, certificate=pair, login=login, tls_at_once=mode == "tls") as port:
        server = MailServer("127.0.0.1", port, mode, "box@camp.example", *login, ca=authority / "ca")
        assert send(server) == "Taken by the mail server 127.0.0.1."
        with pytest.raises(NotTakenError, match="refused the login") as refused:
            send(replace(server, password="wrong-and-private"))  # noqa: S106
        assert "wrong-and-private" not in refused.value.words
        with pytest.raises(NotTakenError, match=r"certificate of 127\.0\.0\.1 cannot be believed"):
            send(replace(server, ca=None))
    assert len(mailbox.got) == 1
    assert "very-private" not in repr(server)


def test_a_server_without_tls_is_not_spoken_to_in_clear(server):
    with pytest.raises(NotTakenError, match="does not offer what is needed") as refused:
        send(replace(server, tls="starttls"))
    assert "mail_tls" in refused.value.todo


def test_nobody_listens_and_no_such_name_are_told_apart(server):
    with socket.create_server(("127.0.0.1", 0)) as gone:
        port = gone.getsockname()[1]
    with pytest.raises(NotTakenError, match=f"refused the connection on port {port}"):
        send(replace(server, port=port))
    with pytest.raises(NotTakenError, match="was not found"):
        send(replace(server, host="mail.camp.invalid"))


@pytest.fixture
def slow():
    """A server that says nothing, or a letter now and then."""
    over = threading.Event()
    with socket.create_server(("127.0.0.1", 0)) as listener:

        def drip(line):
            with line:
                while not over.wait(0.05):
                    try:
                        line.sendall(b"2")
                    except OSError:
                        return

        def serve():
            while True:
                try:
                    line, _ = listener.accept()
                except OSError:
                    return
                threading.Thread(target=drip, args=(line,), daemon=True).start()

        threading.Thread(target=serve, daemon=True).start()
        yield listener.getsockname()[1]
        over.set()
        listener.shutdown(socket.SHUT_RDWR)


def test_a_server_that_draws_its_answer_out_does_not_hold_us(server, slow):
    begun_s = time.monotonic()
    with pytest.raises(NotTakenError, match="did not answer within"):
        send(replace(server, port=slow, whole_s=0.5))
    assert time.monotonic() - begun_s < 14.0, "each letter came in time, the whole did not"


def test_a_server_that_says_nothing_did_not_answer(server):
    with (
        socket.create_server(("127.0.0.1", 0)) as silent,
        pytest.raises(NotTakenError, match=r"127\.0\.0\.1 did not answer within 0\.2 s"),
    ):
        send(replace(server, port=silent.getsockname()[1], answer_s=0.2))


def test_where_no_server_is_set_up_that_is_said():
    with pytest.raises(NotTakenError, match="No mail server is set up"):
        NoMailServer()(message())
    with pytest.raises(NotTakenError, match="mail_from: is none"):
        NoMailServer("mail_from: is none")(message())


def test_large_providers_are_known_by_the_address_alone():
    # smtp.gmail.com, 587, STARTTLS: as its operator's own instructions say (from memory)
    assert server_of("Box <camp.box@gmail.com>") == ("smtp.gmail.com", 587, "starttls")
    assert server_of("box@camp.example") is None
    assert server_of("nonsense") is None
