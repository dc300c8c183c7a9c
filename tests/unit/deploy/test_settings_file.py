import pytest

from deploy.settings_file import change
from services.errors import ConfigurationError
from services.settings import load_settings


def test_single_settings_change_and_what_somebody_wrote_stays(tmp_path):
    file = tmp_path / "bushlarder.toml"
    file.write_text('# our box\nport = 8500 # as agreed\nhost = "127.0.0.1"\n', encoding="utf-8")
    change(file, {"host": "0.0.0.0", "trust_port": 8421, "tls_authority": None})  # noqa: S104 - text
    text = file.read_text(encoding="utf-8")
    assert text == '# our box\nport = 8500 # as agreed\nhost = "0.0.0.0"\ntrust_port = 8421\n'
    assert load_settings(tmp_path).port == 8500
    change(file, {"trust_port": None})
    assert "trust_port" not in file.read_text(encoding="utf-8")


def test_a_file_is_made_where_there_is_none_and_odd_paths_survive(tmp_path):
    path = 'C "quoted" \\ wälder'
    change(tmp_path / "bushlarder.toml", {"tls_key": path})
    assert str(load_settings(tmp_path).tls_key) == path


def test_a_file_that_cannot_be_changed_line_by_line_is_left_alone(tmp_path):
    file = tmp_path / "bushlarder.toml"
    for text in ('host = """\n127.0.0.1"""\n', "[other]\nx = 1\n", "not toml at all\n"):
        file.write_text(text, encoding="utf-8")
        with pytest.raises(ConfigurationError, match="by hand"):
            change(file, {"host": "10.0.0.7"})
        assert file.read_text(encoding="utf-8") == text
