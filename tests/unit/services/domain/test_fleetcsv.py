"""Rows of a spreadsheet: what they make of a fleet, and what is said of wrong ones."""

import csv
import io

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dashboards.reports.fleetrows import rows_file
from services.domain import Fleet
from services.domain.fleetcells import KINDS, cells_of, columns
from services.domain.fleetcsv import MOST_BYTES, MOST_ROWS, imported
from services.domain.fleetfile import fleet_of, tables_of
from tests.helpers.larder import fleet

TABLES = tables_of(fleet())


def faults(data, tables=TABLES):
    data = data.encode() if isinstance(data, str) else data
    return [(fault.line, fault.column, fault.message) for fault in imported(data, tables).faults]


def made(text):
    found = imported(text.encode(), TABLES)
    assert found.faults == []
    return fleet_of(found.tables, name="rows")


def unit(found, key):
    return next(each for each in found.units if each.id == key)


def test_what_is_written_out_is_read_back_as_it_was():
    found = imported(rows_file(fleet()), TABLES)
    assert found.faults == []
    assert fleet_of(found.tables, name="rows") == fleet()
    assert imported(rows_file(fleet()), {}).tables["unit"] == TABLES["unit"]


def test_the_template_has_every_column_and_no_row():
    text = rows_file(Fleet()).decode("utf-8-sig")
    assert text.strip().split(",") == list(columns())
    assert faults(text) == [(1, "", "there are no rows under the names of the columns")]


def test_a_row_adds_and_changes_and_leaves_what_it_does_not_name():
    found = made(
        "record,id,name,kind,site,set_point_c,food.classes,supply.bank\n"
        "unit,v3-meat,,,,2.5,red_meat fish,\n"
        "unit,v9-new,New chest,freezer,river-camp,-18,,\n"
    )
    meat, new = unit(found, "v3-meat"), unit(found, "v9-new")
    assert (meat.name, meat.set_point_c, meat.supply.cutout_v) == ("Meat chest", 2.5, 11.4)
    assert meat.food.classes == ("red_meat", "fish")
    assert (new.name, new.kind, new.site, new.set_point_c) == ("New chest", "freezer", "river-camp", -18)
    assert unit(found, "v3-veg") == unit(fleet(), "v3-veg")


def test_a_dash_takes_away_and_an_empty_cell_does_not():
    found = made("record,id,site,supply.bank,supply.cutout_v\nunit,v3-meat,,-,-\n")
    assert unit(found, "v3-meat").site == "vehicle-3"
    assert (unit(found, "v3-meat").supply.bank, unit(found, "v3-meat").supply.cutout_v) == (None, None)


@pytest.mark.parametrize("lead", ["", "\N{BYTE ORDER MARK}", "sep=;\r\n", "# of the office\r\n\r\n"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_marks_semicolons_decimal_commas_and_ends_of_lines_are_taken(lead, end):
    found = made(f"{lead}record;id;set_point_c;supply.cutout_v{end}unit;v3-meat;2,5;11,9{end}")
    assert (unit(found, "v3-meat").set_point_c, unit(found, "v3-meat").supply.cutout_v) == (2.5, 11.9)


def test_a_number_with_a_comma_between_commas_is_not_guessed_at():
    text = 'record,id,interval_s\nunit,v3-meat,"1,200"\n'
    assert imported(text.encode(), TABLES).tables["unit"][0]["interval_s"] == "1,200"


def test_everything_wrong_with_cells_is_told_by_line_and_column_at_once():
    text = (
        "record,id,kind,capacity_ah,timezone\n"
        "unit,v3-meat,,100,\n"
        "\n"
        "cart,v3-meat,,,\n"
        "unit,v3-veg,,,UTC\n"
        "unit,v3-meat,,,\n"
        "site,river-camp,,,,,more\n"
    )
    assert faults(text) == [
        (2, "capacity_ah", "does not go with a unit"),
        (4, "record", "must be one of site, bank, unit"),
        (5, "timezone", "does not go with a unit"),
        (6, "id", "unit 'v3-meat' stands already in line 2"),
        (7, "", "has more cells than there are columns (5)"),
    ]


def test_columns_nobody_knows_or_that_stand_twice_are_told():
    assert faults("record,id,colour,id\nunit,v3-meat,red,x\n") == [
        (1, "id", "stands twice among the columns"),
        (1, "colour", "no column is called so; the template has them all"),
    ]
    assert faults("id,name\nv3-meat,x\n") == [(1, "record", "this column is needed")]


def test_what_is_no_csv_in_utf_8_is_told_with_its_line():
    not_text = "not a text in UTF-8: save it as “CSV UTF-8”"
    assert faults("record,id\nunit,v3-meat\n".encode("utf-16")) == [(1, "", not_text)]
    assert faults("record,id,name\nunit,v3-meat,Café\n".encode("latin-1")) == [(2, "", not_text)]
    assert faults(b"record,id\n\x00") == [(1, "", not_text)]
    assert faults(b"") == [(1, "", "there is nothing in this file")]
    assert faults('record,id,name\nunit,v3-meat,"Meat" chest\n')[0][0] == 2
    assert faults('record,id,name\nunit,v3-meat,"Meat\n')[0][2].startswith("not CSV from here on")


def test_files_and_rows_have_a_limit():
    assert faults(b"x" * (MOST_BYTES + 1)) == [(None, "", "larger than 5 MB: split the file")]
    rows = "".join(f"site,place-{n},,\n" for n in range(MOST_ROWS + 1))
    found = faults(f"record,id,name,kind\n{rows}")
    assert found == [(MOST_ROWS + 2, "", "more than 5000 rows: split the file")]


def test_a_cell_over_several_lines_is_told_by_the_line_it_begins_in():
    text = 'record,id,name,kind\nunit,v3-meat,"Meat\nchest",\ncart,x-1,,\n'
    assert [line for line, *_ in faults(text)] == [4]


def test_a_guard_against_formulas_goes_out_and_comes_off_again():
    held = fleet()
    name = '=HYPERLINK("http://x.example","y")'
    units = (held.units[0].model_copy(update={"name": name}), *held.units[1:])
    sites = tuple(site.model_copy(update={"latitude_deg": -17.25}) for site in held.sites)
    changed = held.model_copy(update={"units": units, "sites": sites})
    data = rows_file(changed)
    cells = [cell for row in csv.reader(io.StringIO(data.decode("utf-8-sig"))) for cell in row]
    assert not [cell for cell in cells if cell.startswith(("=", "+", "-", "@"))]
    assert f"'{name}" in cells
    assert fleet_of(imported(data, TABLES).tables, name="rows") == changed


def test_every_thing_that_can_be_described_has_a_column_but_checks_in_ice():
    described = {name for kind in KINDS for name in (cell.name for cell in cells_of(kind))}
    assert {"food.rules", "supply.panel_wp", "sensor.error_k", "half_tap_a", "timezone"} <= described
    assert not any(name.startswith("sensor.checks") for name in described)


_CELLS = st.text(alphabet=st.sampled_from("abz019-_.,;\"'=\t\n\r #é\x00"), max_size=12)


@settings(max_examples=60, deadline=None)
@given(rows=st.lists(st.lists(_CELLS, min_size=1, max_size=5), max_size=5))
def test_no_file_whatever_is_a_stumble(rows):
    text = "record,id,name,kind,set_point_c\n" + "\n".join(",".join(row) for row in rows)
    found = imported(text.encode("utf-8", "surrogatepass"), TABLES)
    assert set(found.tables) == set(TABLES)
    assert imported(b"".join(",".join(row).encode() for row in rows), TABLES).faults
