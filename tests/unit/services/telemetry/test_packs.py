import json

import cbor2
import pytest

from services.telemetry import CHANNELS, Sample, topics
from services.telemetry.packs import MESSAGE_EXPIRY_S, decode_pack, encode_pack

UNIT = "v3-meat"
T0_S = 1_764_000_000
T0_MS = T0_S * 1000
RECEIVED_MS = T0_MS + 90_000


def _decode(records, *, topic=None, received_ms=RECEIVED_MS, expiry_left_s=None):
    payload = records if isinstance(records, bytes) else json.dumps(records).encode()
    return decode_pack(
        topic or topics.topic(UNIT, "up/data"), payload, received_ms=received_ms, expiry_left_s=expiry_left_s
    )


def _head(sq=100, bid=3, up=50, tq=2, **base):
    first = {"bn": f"{UNIT}/", "bt": T0_S, **base, "n": "sq", "v": sq}
    return [
        {label: value for label, value in first.items() if value is not None},
        {"n": "bid", "v": bid},
        {"n": "up", "v": up},
        {"n": "tq", "v": tq},
    ]


def _ticking(*states):
    return [{"n": "compressor", "vb": bool(state), "t": 60 * k} for k, state in enumerate(states)]


def _group(channel, unit, *values):
    first = {"bn": f"{UNIT}/{channel}", "bu": unit}
    records = [{"v": value, "t": 60 * k} for k, value in enumerate(values) if value is not None]
    return [{**first, **records[0]}, *records[1:]]


def test_one_live_sample_comes_out_whole():
    pack = _decode(
        [
            *_head(),
            {"n": "compressor", "vb": True},
            {"n": "cabinet", "u": "Cel", "v": 4.25},
            {"n": "battery", "u": "V", "v": 12.61},
        ]
    )
    assert pack.samples == (
        Sample(UNIT, 3, 100, T0_MS, 2, {"compressor": True, "cabinet": 4.25, "battery": 12.61}, 50.0),
    )
    assert pack.rejected == ()
    assert not pack.undecodable
    assert not pack.relative


def test_grouped_channels_join_their_samples_by_time():
    pack = _decode(
        [
            *_head(),
            *_ticking(1, 0, 1),
            *_group("cabinet", "Cel", 4, None, 5),
            *_group("battery", "V", 12, 13),
        ]
    )
    assert [(s.sq, s.t_ms, s.up_s) for s in pack.samples] == [
        (100, T0_MS, 50.0),
        (101, T0_MS + 60_000, 110.0),
        (102, T0_MS + 120_000, 170.0),
    ]
    assert [dict(s.values) for s in pack.samples] == [
        {"compressor": True, "cabinet": 4.0, "battery": 12.0},
        {"compressor": False, "battery": 13.0},
        {"compressor": True, "cabinet": 5.0},
    ]


def test_the_order_of_groups_does_not_matter():
    groups = [_group("cabinet", "Cel", 4, 5), [{"bn": f"{UNIT}/", "n": "compressor", "vb": True, "t": 0}]]
    groups[1] += [{"n": "compressor", "vb": True, "t": 60}]
    there = _decode([*_head(), *groups[0], *groups[1]])
    back = _decode([*_head(), *groups[1], *groups[0]])
    assert there == back
    assert not there.rejected


def test_booleans_on_change_are_carried_forward_within_the_pack():
    lids = [{"n": "lid", "vb": False, "t": 0}, {"n": "lid", "vb": True, "t": 120}]
    pack = _decode([*_head(), *_ticking(1, 1, 1, 1), *lids])
    assert [s.values["lid"] for s in pack.samples] == [False, False, True, True]


def test_a_rejected_boolean_is_not_known_until_the_next_good_one():
    lids = [
        {"n": "lid", "vb": False},
        {"n": "lid", "vs": "open", "t": 60},
        {"n": "lid", "vb": True, "t": 180},
    ]
    pack = _decode([*_head(), *_ticking(1, 1, 1, 1), *lids])
    assert [s.values.get("lid") for s in pack.samples] == [False, None, None, True]
    assert [(r.reason, r.sq, r.channel) for r in pack.rejected] == [("wrong_kind", 101, "lid")]


def test_a_boolean_first_seen_later_is_not_guessed_backwards():
    pack = _decode([*_head(), *_ticking(1, 1), {"n": "lid", "vb": True, "t": 60}])
    assert ["lid" in s.values for s in pack.samples] == [False, True]


def test_texts_are_not_carried():
    pack = _decode([*_head(), *_ticking(1, 1), {"n": "supply", "vs": "solar"}])
    assert [s.values.get("supply") for s in pack.samples] == ["solar", None]


def test_tick_numbers_samples_where_the_compressor_cannot_be_sensed():
    ticks = [{"n": "tick", "vb": True, "t": 60 * k} for k in range(2)]
    pack = _decode([*_head(), *ticks, *_group("cabinet", "Cel", 4, 5)])
    assert [dict(s.values) for s in pack.samples] == [{"cabinet": 4.0}, {"cabinet": 5.0}]


def test_a_unit_may_lose_sight_of_its_compressor_within_a_pack():
    mixed = [
        {"n": "tick", "vb": True, "t": 60},
        {"n": "compressor", "vb": True, "t": 0},
        {"n": "compressor", "vb": False, "t": 120},
    ]
    pack = _decode([*_head(), *mixed])
    assert [(s.sq, s.values.get("compressor")) for s in pack.samples] == [
        (100, True),
        (101, None),
        (102, False),
    ]


def test_wrong_records_are_lost_alone_and_their_samples_stay():
    bad = [
        ({"n": "cabinet", "u": "V", "v": 4}, "wrong_unit"),
        ({"n": "cabinet", "v": 4}, "wrong_unit"),
        ({"n": "cabinet", "u": "mCel", "v": 4}, "wrong_unit"),
        ({"n": "cabinet", "u": "Cel", "v": "4"}, "not_a_number"),
        ({"n": "cabinet", "u": "Cel", "vs": "cold"}, "wrong_kind"),
        ({"n": "cabinet", "u": "Cel", "vb": True}, "wrong_kind"),
        ({"n": "cabinet", "u": "Cel", "vd": "AA"}, "wrong_kind"),
        ({"n": "cabinet", "u": "Cel", "v": 4, "vs": "4"}, "several_values"),
        ({"n": "cabinet", "u": "Cel"}, "no_value"),
        ({"n": "cabinet", "u": "Cel", "s": 4}, "no_value"),
        ({"n": "cabinet", "u": "Cel", "v": 4, "t": 1}, "no_sample"),
        ({"n": "cabinet", "u": "Cel", "v": 4, "t": "x"}, "bad_time"),
        ({"n": "cabinet", "u": "Cel", "v": 1e13}, "out_of_range"),
        ({"n": "cab inet", "u": "Cel", "v": 4}, "bad_name"),
        ({"u": "Cel", "v": 4}, "bad_name"),
        ({"n": "supply", "vs": "s" * 65}, "too_long"),
        ({"n": "supply", "v": 1}, "wrong_kind"),
        ({"n": "lid", "v": 1}, "wrong_kind"),
    ]
    for record, reason in bad:
        pack = _decode(
            [*_head(), {"n": "compressor", "vb": True}, record, {"n": "battery", "u": "V", "v": 12}]
        )
        assert [r.reason for r in pack.rejected] == [reason], record
        assert [(s.sq, dict(s.values)) for s in pack.samples] == [
            (100, {"compressor": True, "battery": 12.0})
        ]
        assert pack.rejected[0].unit == UNIT
        assert pack.rejected[0].bid == 3
        assert pack.rejected[0].sq == (None if reason in {"no_sample", "bad_time"} else 100)


@pytest.mark.parametrize("value", [float("nan"), float("inf"), float("-inf")])
def test_numbers_that_are_none_are_rejected(value):
    records = [{-2: f"{UNIT}/", -3: T0_S, 0: "sq", 2: 1}, {0: "bid", 2: 3}, {0: "compressor", 4: True}]
    pack = _decode(cbor2.dumps([*records, {0: "cabinet", 1: "Cel", 2: value}]))
    assert [(r.reason, r.channel, r.sq) for r in pack.rejected] == [("not_a_number", "cabinet", 1)]
    assert [dict(s.values) for s in pack.samples] == [{"compressor": True}]


def test_a_sample_that_loses_every_channel_is_still_held():
    pack = _decode([*_head(), {"n": "compressor", "v": 1}, {"n": "cabinet", "u": "V", "v": 4}])
    assert [(s.sq, dict(s.values)) for s in pack.samples] == [(100, {})]
    assert sorted(r.reason for r in pack.rejected) == ["wrong_kind", "wrong_unit"]


def test_a_second_value_for_one_sample_is_rejected_unless_it_says_the_same():
    cabinet = {"n": "cabinet", "u": "Cel", "v": 4}
    same = _decode([*_head(), *_ticking(1), cabinet, cabinet])
    other = _decode([*_head(), *_ticking(1), cabinet, {**cabinet, "v": 5}])
    assert same.rejected == ()
    assert [r.reason for r in other.rejected] == ["repeated"]
    assert other.samples[0].values["cabinet"] == 4.0


def test_unknown_channels_are_kept_whatever_their_kind_and_unit():
    records = [
        {"n": "humidity", "u": "%RH", "v": 55.5},
        {"n": "door/left", "vb": True},
        {"n": "mode", "vs": "eco"},
        {"n": "raw", "v": 7},
    ]
    pack = _decode([*_head(), *_ticking(1), *records])
    assert dict(pack.samples[0].values) == {
        "compressor": True,
        "humidity": 55.5,
        "door/left": True,
        "mode": "eco",
        "raw": 7.0,
    }


@pytest.mark.parametrize(
    "channel", [c for c in CHANNELS.values() if c.kind == "number"], ids=lambda c: c.name
)
def test_every_number_channel_is_taken_in_its_unit_and_in_no_other(channel):
    def one(unit):
        return _decode([*_head(), *_ticking(1), {"n": channel.name, "u": unit, "v": 1.2345}])

    assert one(channel.unit).samples[0].values[channel.name] == 1.234
    assert one("kg").rejected[0].reason == "wrong_unit"


def test_secondary_units_are_taken_where_the_version_allows_them():
    millivolts = {"n": "battery", "u": "mV", "v": 12_613}
    assert _decode([*_head(bver=26), *_ticking(1), millivolts]).samples[0].values["battery"] == 12.613
    assert _decode([*_head(), *_ticking(1), millivolts]).rejected[0].reason == "wrong_unit"


def test_a_time_in_the_future_is_kept_for_others_to_judge():
    pack = _decode([*_head(), *_ticking(1)], received_ms=T0_MS - 3_600_000)
    assert [s.t_ms for s in pack.samples] == [T0_MS]


@pytest.mark.parametrize(
    ("expiry_left_s", "waited_s"), [(None, 0), (MESSAGE_EXPIRY_S, 0), (MESSAGE_EXPIRY_S - 86_400, 86_400)]
)
def test_times_of_an_unset_clock_count_back_from_the_moment_of_sending(expiry_left_s, waited_s):
    records = [*_head(bt=None, tq=0), *({"n": "compressor", "vb": True, "t": t} for t in (-90, -30.5, 0))]
    pack = _decode(records, expiry_left_s=expiry_left_s)
    sent_ms = RECEIVED_MS - waited_s * 1000
    assert [s.t_ms for s in pack.samples] == [sent_ms - 90_000, sent_ms - 30_500, sent_ms]
    assert [s.up_s for s in pack.samples] == [50.0, 109.5, 140.0]
    assert {s.tq for s in pack.samples} == {0}
    assert pack.relative


def test_a_relative_time_is_provisional_whatever_the_unit_says_of_its_clock():
    assert _decode([*_head(bt=None, tq=2), *_ticking(1)]).samples[0].tq == 0


def test_a_pack_without_uptime_or_clock_quality_is_taken_with_neither():
    (sample,) = _decode([*_head()[:2], {"n": "compressor", "vb": True}]).samples
    assert (sample.tq, sample.up_s) == (0, None)


def test_an_uptime_that_cannot_be_read_is_rejected_alone():
    pack = _decode([*_head(up="long"), *_ticking(1)])
    assert [(r.reason, r.channel) for r in pack.rejected] == [("not_a_number", "up")]
    assert pack.samples[0].up_s is None


@pytest.mark.parametrize(
    ("head", "reason"),
    [
        (_head()[1:], "identity_mismatch"),
        (_head(sq=-1), "no_identity"),
        (_head(sq=1.5), "no_identity"),
        (_head(sq=2**53), "no_identity"),
        (_head(sq="7"), "no_identity"),
        (_head(bid=None), "no_identity"),
        (_head(bid=True), "no_identity"),
        (_head(tq=3), "bad_header"),
        (_head(up=-1), "bad_header"),
        ([*_head(), {"n": "sq", "v": 7}], "bad_header"),
        (_head(bver=11), "unsupported_version"),
        ([*_head(), {"n": "x", "v": 1, "new_": 1}], "not_understood"),
    ],
)
def test_packs_that_cannot_say_which_samples_they_hold_are_rejected(head, reason):
    pack = _decode([*head, *_ticking(1)])
    assert pack.samples == ()
    assert [r.reason for r in pack.rejected] == [reason]
    assert pack.undecodable is (reason != "identity_mismatch")


@pytest.mark.parametrize(
    ("records", "reason"),
    [
        ([{"n": "cabinet", "u": "Cel", "v": 4}], "no_samples"),
        ([{"n": "compressor", "vb": True, "t": "x"}], "bad_time"),
        ([{"n": "compressor", "vb": True}] * 2, "times_not_increasing"),
        ([{"n": "tick", "vb": True, "t": 60}, {"n": "tick", "vb": True, "t": 0}], "times_not_increasing"),
        ([{"n": "tick", "vb": True}, {"n": "compressor", "vb": True}], "times_not_increasing"),
        (
            [{"n": "compressor", "vb": True}, *({"n": f"c{k}", "v": k} for k in range(65))],
            "too_many_channels",
        ),
    ],
)
def test_packs_whose_samples_cannot_be_numbered_are_undecodable(records, reason):
    pack = _decode([*_head(), *records])
    assert (pack.samples, [r.reason for r in pack.rejected], pack.undecodable) == ((), [reason], True)


@pytest.mark.parametrize(
    ("topic", "bn", "reason"),
    [
        (topics.topic("v4-meat", "up/data"), f"{UNIT}/", "identity_mismatch"),
        (topics.topic(UNIT, "up/data").replace("/15/", "/14/"), f"{UNIT}/", "identity_mismatch"),
        (topics.topic(UNIT, "up/data"), "v4-meat/", "identity_mismatch"),
        (topics.topic(UNIT, "up/data"), UNIT, "identity_mismatch"),
        (topics.topic(UNIT, "up/event"), f"{UNIT}/", "wrong_topic"),
        ("elsewhere", f"{UNIT}/", "wrong_topic"),
    ],
)
def test_topic_part_and_names_must_agree(topic, bn, reason):
    pack = _decode([*_head(bn=bn), *_ticking(1)], topic=topic)
    assert (pack.samples, [r.reason for r in pack.rejected], pack.undecodable) == ((), [reason], False)


def test_one_record_of_another_unit_rejects_the_pack():
    pack = _decode([*_head(), *_ticking(1), {"bn": "v4-meat/", "n": "cabinet", "u": "Cel", "v": 4}])
    assert [r.reason for r in pack.rejected] == ["identity_mismatch"]


def test_broken_bytes_are_undecodable_and_name_the_unit():
    pack = _decode(b"\x82\xa1")
    assert pack.undecodable
    assert [(r.reason, r.unit) for r in pack.rejected] == [("undecodable", UNIT)]


def test_numbers_are_kept_in_milli_units_half_to_even():
    def kept(value):
        pack = _decode([*_head(), *_ticking(1), {"n": "cabinet", "u": "Cel", "v": value}])
        return pack.samples[0].values["cabinet"]

    assert [kept(v) for v in (4.0005, 4.0015, -0.0001, 23.456789)] == [4.0, 4.002, 0.0, 23.457]


def test_what_encode_writes_decode_reads():
    sample = Sample(UNIT, 3, 100, T0_MS, 2, {"compressor": True, "cabinet": 4.25}, 50.0)
    assert _decode(encode_pack([sample])).samples == (sample,)
