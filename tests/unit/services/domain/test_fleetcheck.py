"""What is said of settings that can be read but should not be relied on."""

import pytest

from services.domain.fleetcheck import check
from services.domain.fleetfile import parse_unit_file

UNIT_TOML = """\
[unit]
id = "v3-meat"
kind = "fridge"

[food]
class = "fish"

[supply]
kind = "battery"
chemistry = "agm"
nominal_v = 12
capacity_ah = 100
cutout_v = 11.4
restart_v = 12.5

[compressor]
running_a = 4.2

[sensor]
position = "air"
"""


def test_a_stated_set_point_that_cannot_hold_the_limit_is_refused():
    settings = parse_unit_file(
        UNIT_TOML.replace('kind = "fridge"', 'kind = "fridge"\nset_point_c = 2.5'), name="u"
    )
    assert [r.refused for r in check(settings, limit_c=4.0)] == [True]
    assert check(settings, limit_c=4.5) == []
    assert check(settings, limit_c=None) == []


def test_an_assumed_set_point_is_only_warned_of():
    remarks = check(parse_unit_file(UNIT_TOML, name="u"), limit_c=4.0)
    assert [r.refused for r in remarks] == [False]
    assert "(assumed)" in str(remarks[0])


@pytest.mark.parametrize(("changes", "warned"), [(("11.4", "10.9"), True), (("11.4", "11.0"), False)])
def test_deep_cutouts_of_lead_batteries_are_warned_of(changes, warned):
    settings = parse_unit_file(UNIT_TOML.replace(*changes), name="u")
    assert bool(check(settings, limit_c=None)) is warned
    lithium = parse_unit_file(UNIT_TOML.replace(*changes).replace("agm", "lifepo4"), name="u")
    assert check(lithium, limit_c=None) == []
    doubled = (
        UNIT_TOML.replace("11.4", str(2 * float(changes[1])))
        .replace("12.5", "25")
        .replace("= 12\n", "= 24\n")
    )
    assert bool(check(parse_unit_file(doubled, name="u"), limit_c=None)) is warned


def test_the_error_of_the_sensor_s_class_counts_where_it_is_given():
    text = UNIT_TOML.replace('kind = "fridge"', 'kind = "fridge"\nset_point_c = 2.0')
    wide = text.replace('position = "air"', 'position = "air"\nerror_k = 1.0')
    assert check(parse_unit_file(text, name="u"), limit_c=4.0) == []
    (remark,) = check(parse_unit_file(wide, name="u"), limit_c=4.0)
    assert remark.refused
    assert "+ 1 K sensor = 4.5 °C" in str(remark)
