import pytest

from services.telemetry import topics


def test_a_topic_names_part_unit_and_leaf():
    assert topics.topic("v3-meat", "up/data") == "cold/v1/15/v3-meat/up/data"
    assert topics.parse("cold/v1/15/v3-meat/up/data") == ("15", "v3-meat", "up/data")


def test_the_part_is_the_crc_of_the_unit_modulo_16():
    # 0xCBF43926 is the check value of CRC-32 for "123456789"; 0x26 % 16 = 6.
    assert topics.part_of("123456789") == "06"


@pytest.mark.parametrize("leaf", topics.LEAVES)
def test_every_leaf_is_parsed_back(leaf):
    assert topics.parse(topics.topic("camp-box-1", leaf)) == (
        topics.part_of("camp-box-1"),
        "camp-box-1",
        leaf,
    )


@pytest.mark.parametrize(
    "text",
    [
        "",
        "cold/v1/15/v3-meat/up",
        "cold/v1/15/v3-meat/up/data/more",
        "cold/v2/15/v3-meat/up/data",
        "cold/v1/5/v3-meat/up/data",
        "cold/v1/15/V3/up/data",
        "cold/v1/15/ab/up/data",
        "cold/v1/15/v3-meat/up/data\n",
        "$SYS/broker/uptime",
    ],
)
def test_other_topics_are_none_of_ours(text):
    assert topics.parse(text) is None


@pytest.mark.parametrize("unit", ["", "ab", "UPPER", "a/b", "x" * 33, "é-unit", "abc\n"])
def test_what_is_no_unit_id_has_no_topic(unit):
    with pytest.raises(ValueError, match="unit id"):
        topics.topic(unit, "status")


def test_an_unknown_leaf_has_no_topic():
    with pytest.raises(ValueError, match="up/other"):
        topics.topic("v3-meat", "up/other")


def test_the_service_subscribes_to_all_parts_or_to_its_own():
    assert topics.service_filters() == ("cold/v1/+/+/up/#", "cold/v1/+/+/status")
    assert topics.service_filters(["07"]) == ("cold/v1/07/+/up/#", "cold/v1/07/+/status")
