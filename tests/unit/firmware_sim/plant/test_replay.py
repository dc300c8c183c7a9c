import numpy as np
import pytest

from firmware_sim.plant.replay import HOURS_A_YEAR, read_hourly
from services.errors import ConfigurationError

HEAD = "source_year,month,day,hour_end,t_air_c,rh_pct,ghi_wh_m2\n"


def write_year(path, *, hours=HOURS_A_YEAR):
    """A year whose temperature is the number of its hour over 100; sun at its noons."""
    rows = []
    for k in range(hours):
        sun = 800 if k % 24 == 12 else 0
        rows.append(f"2001,1,1,{k % 24 + 1},{(k + 1) / 100},50,{sun}\n")
    path.write_text(HEAD + "".join(rows), encoding="utf-8")
    return path


def test_an_hours_temperature_stands_at_its_end_and_runs_straight_between(tmp_path):
    year = read_hourly(write_year(tmp_path / "year.csv"), setting="x")
    air, humidity, _ = year.played(np.array([1.0, 1.5, 2.0, 8759.0]))
    assert air == pytest.approx([0.01, 0.015, 0.02, 87.59])
    assert humidity == pytest.approx(0.5)


def test_an_hours_sun_stands_in_its_middle(tmp_path):
    year = read_hourly(write_year(tmp_path / "year.csv"), setting="x")
    _, _, sun = year.played(np.array([12.5, 12.0, 11.5]))
    assert sun == pytest.approx([800.0, 400.0, 0.0])


def test_the_sun_of_a_day_adds_up_to_the_files(tmp_path):
    year = read_hourly(write_year(tmp_path / "year.csv"), setting="x")
    _, _, sun = year.played(np.arange(0.0, 24.0, 0.01) + 0.005)
    assert sun.mean() * 24.0 == pytest.approx(800.0, rel=1e-3)


def test_the_year_begins_again(tmp_path):
    year = read_hourly(write_year(tmp_path / "year.csv"), setting="x")
    first, again = year.played(np.array([5.0])), year.played(np.array([5.0 + HOURS_A_YEAR]))
    assert first[0] == pytest.approx(again[0])
    assert year.played(np.array([0.0]))[0] == pytest.approx(87.6)


def test_a_missing_file_is_named_with_its_setting(tmp_path):
    with pytest.raises(ConfigurationError, match=r"no weather can be read from gone\.csv") as raised:
        read_hourly(tmp_path / "gone.csv", setting="trip.toml: site camp.hourly_file")
    assert raised.value.setting == "trip.toml: site camp.hourly_file"


def test_half_a_year_is_refused(tmp_path):
    with pytest.raises(ConfigurationError, match="4000 hours"):
        read_hourly(write_year(tmp_path / "half.csv", hours=4000), setting="x")


def test_words_in_a_column_are_refused(tmp_path):
    path = write_year(tmp_path / "year.csv")
    path.write_text(path.read_text(encoding="utf-8").replace(",50,", ",dry,", 1), encoding="utf-8")
    with pytest.raises(ConfigurationError, match="as numbers"):
        read_hourly(path, setting="x")


def test_another_table_is_refused(tmp_path):
    path = write_year(tmp_path / "year.csv")
    path.write_text(path.read_text(encoding="utf-8").replace("t_air_c", "kelvin", 1), encoding="utf-8")
    with pytest.raises(ConfigurationError, match="needs the columns"):
        read_hourly(path, setting="x")
