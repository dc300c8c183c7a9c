"""Lines of keys in a TOML text."""

import tomllib

from services.domain._lines import line_at, lines_of
from tests.helpers.made import FLEET_TOML


def paths(value, before=()):
    if isinstance(value, dict):
        for key, item in value.items():
            yield from paths(item, (*before, key))
    elif isinstance(value, list) and value and isinstance(value[0], dict):
        for index, item in enumerate(value):
            yield from paths(item, (*before, index))
    else:
        yield before


def test_every_key_that_is_read_has_a_line_that_holds_it():
    lines = lines_of(FLEET_TOML)
    text = FLEET_TOML.splitlines()
    for path in paths(tomllib.loads(FLEET_TOML)):
        line = line_at(lines, path)
        assert line is not None
        assert text[line - 1].startswith(str(path[-1])), path
    assert line_at(lines, ("unit", 1, "id")) == 28


def test_the_longest_known_beginning_answers_for_what_has_no_line_of_its_own():
    lines = lines_of('[[unit]]\nfood = { classes = ["fish"] }\n')
    assert line_at(lines, ("unit", 0, "food", "classes", 0)) == 2
    assert line_at(lines, ("bank", 0)) is None


def test_dotted_and_quoted_keys_are_followed():
    lines = lines_of('a."b c".d = 1\n[x]\ny.z = 2\n')
    assert line_at(lines, ("a", "b c", "d")) == 1
    assert line_at(lines, ("x", "y", "z")) == 3
