"""What stood in the way is said in words, without addresses and secrets."""

import smtplib
import socket
import ssl

import pytest

from services.notify.failures import of_connection, of_mail

HIDE = ("asha@camp.example", "very-private")


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (socket.gaierror(-2, "?"), "mail.example was not found: there is no such name."),
        (ConnectionRefusedError(), "mail.example refused the connection on port 587."),
        (TimeoutError(), "mail.example did not answer within 15 s."),
        (ssl.SSLError(), "mail.example does not speak TLS on port 587"),
        (ConnectionResetError(), "mail.example broke the connection off."),
        (smtplib.SMTPServerDisconnected("x"), "mail.example broke the connection off."),
        (OSError(101, "Network is unreachable"), "mail.example cannot be reached from here."),
        (ssl.SSLCertVerificationError(), "The certificate of mail.example cannot be believed"),
    ],
)
def test_every_way_a_connection_fails_has_words_and_something_to_do(error, words):
    for told in (
        of_connection(error, "mail.example", 587, 15.0),
        of_mail(error, "mail.example", 587, 15.0, ()),
    ):
        assert told.words.startswith(words)
        assert told.todo
        assert not told.lasting


def test_a_refused_login_says_which_password_is_wanted():
    error = smtplib.SMTPAuthenticationError(535, b"5.7.8 very-private asha@camp.example\r\nbad")
    told = of_mail(error, "mail.example", 587, 15.0, HIDE)
    assert told.words.endswith("It said: 535 5.7.8 … … bad")
    assert "app password" in told.todo
    assert not told.lasting, "somebody may put the password right"


@pytest.mark.parametrize(("code", "lasting"), [(550, True), (450, False)])
def test_an_address_that_is_refused_for_good_is_not_tried_again(code, lasting):
    error = smtplib.SMTPRecipientsRefused({"asha@camp.example": (code, b"no asha@camp.example here")})
    told = of_mail(error, "mail.example", 587, 15.0, HIDE)
    assert told.lasting is lasting
    assert "asha" not in told.words
    assert f"It said: {code} no … here" in told.words


def test_other_answers_of_a_mail_server_are_repeated_cut_to_a_line():
    error = smtplib.SMTPDataError(554, b"spam\x00\x1b[31m" + b"x" * 500)
    told = of_mail(error, "mail.example", 587, 15.0, HIDE)
    assert told.lasting
    assert "\x1b" not in told.words
    assert len(told.words) < 250
    sender = of_mail(smtplib.SMTPSenderRefused(553, b"no", "me"), "mail.example", 587, 15.0, HIDE)
    assert "mail_from" in sender.todo
    plain = of_mail(smtplib.SMTPNotSupportedError("STARTTLS"), "mail.example", 25, 15.0, HIDE)
    assert "mail_tls" in plain.todo
