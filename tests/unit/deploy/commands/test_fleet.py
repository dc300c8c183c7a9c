"""`bushlarder fleet import` and `export`: the rows of the page, on the command line."""

import pytest

from services.records.facade import Records
from tests.helpers.larder import open_bare_records

HEAD = "record;id;name;kind;site;set_point_c\n"
GOOD = f"{HEAD}unit;v9-new;New chest;fridge;river-camp;1,5\nunit;v3-veg;Salads;;;\n"


@pytest.fixture
def data(tmp_path):
    open_bare_records(tmp_path / "data").close()
    return tmp_path / "data"


def rows(tmp_path, text):
    file = tmp_path / "rows.csv"
    file.write_text(text, encoding="utf-8")
    return file


def names(data):
    records = Records(data / "records.db")
    found = {unit.id: unit.name for unit in records.fleet().units}
    told = records.descriptions_between(0, 2**62, units={"v9-new"}, limit=5)
    records.close()
    return found, [(line.who, line.why) for line in told]


def test_a_dry_run_tells_and_changes_nothing_then_all_is_done(here, tmp_path, data):
    file = rows(tmp_path, GOOD)
    tried = here("fleet", "import", file, "--dry-run", "--data", data)
    assert tried.returncode == 0, tried.stderr
    assert tried.stdout.splitlines() == [
        "unit v3-veg: changed",
        "  name: Salad drawer -> Salads",
        "unit v9-new: new",
        "nothing is changed: --dry-run",
    ]
    assert "v9-new" not in names(data)[0]
    unsigned = here("fleet", "import", file, "--data", data)
    assert (unsigned.returncode, "--who" in unsigned.stderr) == (2, True)
    done = here("fleet", "import", file, "--who", "Ada B.", "--data", data)
    assert (done.returncode, done.stdout.splitlines()[-1]) == (0, "2 sites, 1 banks, 6 units")
    found, told = names(data)
    assert (found["v9-new"], found["v3-veg"]) == ("New chest", "Salads")
    assert told == [("Ada B.", "file rows.csv")]
    again = here("fleet", "import", file, "--who", "Ada B.", "--data", data)
    assert "everything is described so already" in again.stdout


def test_every_fault_is_told_by_line_and_column_and_nothing_is_changed(here, tmp_path, data):
    text = f"{HEAD}unit;v9-new;New;fridge;nowhere;\ncart;x;;;;\nunit;v3-veg;;warm;;\n"
    done = here("fleet", "import", rows(tmp_path, text), "--who", "Ada B.", "--data", data)
    assert done.returncode == 2
    first, second, third, last = done.stderr.splitlines()
    assert first == "rows.csv, line 2, site: there is no site 'nowhere'"
    assert second == "rows.csv, line 3, record: must be one of site, bank, unit"
    assert third.startswith("rows.csv, line 4, kind: must be 'fridge' or 'freezer'")
    assert last == "nothing is changed; to mend: 3"
    assert "v9-new" not in names(data)[0]


def test_what_is_exported_is_imported_again_and_changes_nothing(here, tmp_path, data):
    file = tmp_path / "fleet.csv"
    assert "2 sites, 1 banks, 5 units" in here("fleet", "export", file, "--data", data).stdout
    again = here("fleet", "import", file, "--who", "Ada B.", "--data", data)
    assert (again.returncode, "described so already" in again.stdout) == (0, True)
    here("fleet", "export", file, "--template", "--data", data)
    assert len(file.read_text(encoding="utf-8-sig").splitlines()) == 1
