import orjson
import pytest
from pydantic import ValidationError

from services.telemetry import Rejected
from services.telemetry.messages import (
    MAX_MESSAGE_BYTES,
    Ack,
    AckMark,
    BackfillArgs,
    Command,
    CommandReply,
    Event,
    NoArgs,
    SetArgs,
    SkippedStretch,
    Status,
    UpdateArgs,
    parse_message,
)


def test_a_confirmation_travels_as_the_contract_shows_it():
    ack = Ack(
        acks=(AckMark(bid=3, sq=1234),),
        skipped=(SkippedStretch(bid=3, from_sq=7, to_sq=9, reason="unreadable"),),
    )
    assert orjson.loads(ack.to_json()) == {
        "v": 1,
        "acks": [{"bid": 3, "sq": 1234}],
        "skipped": [{"bid": 3, "from": 7, "to": 9, "reason": "unreadable"}],
    }
    assert parse_message(Ack, ack.to_json()) == ack


def test_a_will_needs_no_more_than_its_boot():
    assert parse_message(Status, b'{"s":"lost","bid":3}') == Status(s="lost", bid=3)


def test_newer_fields_are_ignored():
    assert parse_message(Status, b'{"s":"on","bid":3,"mood":"fine"}') == Status(s="on", bid=3)


@pytest.mark.parametrize(
    ("name", "args"),
    [
        ("status", NoArgs()),
        ("reboot", NoArgs()),
        ("backfill", BackfillArgs(bid=3, from_sq=7, to_sq=9)),
        ("set", SetArgs(interval_s=60)),
        ("update", UpdateArgs(version="1.5", sha256="0" * 64)),
    ],
)
def test_commands_of_the_closed_list_round_trip(name, args):
    command = Command(name=name, args=args)
    assert parse_message(Command, command.to_json()) == command


@pytest.mark.parametrize(
    "text",
    [
        '{"name":"set_point","args":{}}',
        '{"name":"set","args":{"set_point_c":3}}',
        '{"name":"set","args":{"interval_s":60,"cutout_v":10}}',
        '{"name":"set","args":{"interval_s":9}}',
        '{"name":"set","args":{"interval_s":"60"}}',
        '{"name":"set"}',
        '{"name":"reboot","args":{"interval_s":60}}',
        '{"name":"backfill","args":{"bid":3,"from":9,"to":7}}',
    ],
)
def test_nothing_else_is_a_command(text):
    assert isinstance(parse_message(Command, text.encode()), Rejected)


def test_arguments_of_another_command_are_a_callers_bug():
    with pytest.raises(ValidationError, match="not the arguments of reboot"):
        Command(name="reboot", args=SetArgs(interval_s=60))


def test_a_unit_may_answer_that_samples_are_gone():
    reply = CommandReply(name="backfill", result="gone", gone=(BackfillArgs(bid=3, from_sq=7, to_sq=9),))
    assert parse_message(CommandReply, reply.to_json()) == reply


def test_an_event_may_have_no_time():
    assert parse_message(Event, b'{"kind":"boot","bid":4,"up":0.2}') == Event(kind="boot", bid=4, up=0.2)


def test_a_stretch_given_up_runs_forwards():
    with pytest.raises(ValidationError, match="before"):
        SkippedStretch(bid=3, from_sq=9, to_sq=7, reason="x")


@pytest.mark.parametrize(
    "payload",
    [b"", b"null", b"[]", b"\xff", b'{"s":"on"}', b'{"s":"on","bid":1.5}'],
)
def test_what_is_no_message_is_rejected_with_the_unit_named(payload):
    refused = parse_message(Status, payload, unit="v3-meat")
    assert isinstance(refused, Rejected)
    assert (refused.reason, refused.unit) == ("bad_message", "v3-meat")


def test_a_long_message_is_refused_unread():
    assert parse_message(Status, b" " * (MAX_MESSAGE_BYTES + 1)).reason == "too_large"
