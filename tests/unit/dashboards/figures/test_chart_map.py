import itertools
import re

from dashboards.figures.chart_map import LOWEST, TALLEST, WIDTH, Place, picture
from services.domain.ownmap import Feature


def place(lon, lat, name="Camp"):
    return Place((lon, lat), name, "/units/x", "ok", "place", "")


def feature(shape, *lines, kind="track"):
    return Feature(shape=shape, name="", kind=kind, lines=lines)


def test_nothing_without_a_position_is_drawn():
    assert picture([], []) is None


def test_north_is_up_and_east_is_right():
    drawn = picture([], [place(25.0, -17.0, "north-west"), place(25.4, -17.6, "south-east")])
    pins = {pin.name: pin for pin in drawn.pins}
    assert pins["north-west"].y < pins["south-east"].y
    assert pins["north-west"].x < pins["south-east"].x
    assert drawn.width == WIDTH
    assert LOWEST <= drawn.height <= TALLEST


def test_a_degree_east_is_shorter_than_one_north_by_the_cosine_of_latitude():
    corners = [place(20.0, -60.0, "a"), place(21.0, -60.0, "b"), place(20.0, -61.0, "c")]
    pins = {pin.name: pin for pin in picture([], corners).pins}
    east, south = pins["b"].x - pins["a"].x, pins["c"].y - pins["a"].y
    assert abs(east / south - 0.4924) < 0.01, "cos 60.5° is 0.4924"


def test_everything_lies_inside_the_picture():
    track = feature("line", ((25.0, -17.0), (26.0, -19.0), (25.5, -16.5)))
    drawn = picture([track], [place(25.2, -17.2)])
    numbers = [float(n) for n in re.findall(r"-?\d+(?:\.\d+)?", drawn.paths[0].d)]
    assert all(0 <= x <= WIDTH for x in numbers[::2])
    assert all(0 <= y <= drawn.height for y in numbers[1::2])


def test_areas_are_closed_and_lie_under_lines():
    area = feature("area", ((25.0, -17.0), (26.0, -17.0), (26.0, -18.0), (25.0, -17.0)), kind="reserve")
    line = feature("line", ((25.0, -17.0), (26.0, -18.0)))
    drawn = picture([line, area], [])
    assert [path.shape for path in drawn.paths] == ["area", "line"]
    assert drawn.paths[0].d.endswith("Z")
    assert not drawn.paths[1].d.endswith("Z")


def test_names_of_neighbours_do_not_lie_on_one_another():
    drawn = picture([], [place(25.0, -17.0, str(n)) for n in range(4)])
    heights = sorted(pin.label_y for pin in drawn.pins)
    assert all(later - earlier >= 14 for earlier, later in itertools.pairwise(heights))
    assert max(heights) < drawn.height
