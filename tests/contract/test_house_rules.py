"""Rules of the house that a linter does not know."""

import ast
import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = ("services", "dashboards", "firmware_sim", "deploy")
MEASURED = re.compile(r"_(c|v|a|w|wh|ah|ohm|s|ms|m2|k|hz|kg|w_per_k|j_per_k)$")
TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
    "services",
    "dashboards",
    "firmware_sim",
    "tests",
    "deploy",
}


def _sources():
    return sorted(path for package in PACKAGES for path in (ROOT / package).rglob("*.py"))


def _committed():
    listed = subprocess.run(
        ["git", "ls-files", "-co", "--exclude-standard"], cwd=ROOT, capture_output=True, text=True, check=True
    )
    return [ROOT / name for name in listed.stdout.splitlines() if (ROOT / name).is_file()]


def _name(node):
    if isinstance(node, ast.Name):
        return node.id
    return node.attr if isinstance(node, ast.Attribute) else ""


def _truth_tested(tree):
    for node in ast.walk(tree):
        if isinstance(node, ast.If | ast.While | ast.IfExp):
            yield node.test
        elif isinstance(node, ast.BoolOp):
            yield from node.values
        elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
            yield node.operand


def measured_values_tested_for_truth(source):
    return [
        (node.lineno, _name(node))
        for node in _truth_tested(ast.parse(source))
        if isinstance(node, ast.Name | ast.Attribute) and MEASURED.search(_name(node))
    ]


def test_the_truth_rule_finds_what_it_looks_for():
    assert measured_values_tested_for_truth("x = battery_v or 12") == [(1, "battery_v")]
    assert measured_values_tested_for_truth("x = 1 if unit.cabinet_c is None else 2") == []


def test_no_measured_value_is_tested_for_truth():
    found = {
        str(path.relative_to(ROOT)): rows
        for path in _sources()
        if (rows := measured_values_tested_for_truth(path.read_text(encoding="utf-8")))
    }
    assert found == {}


def test_every_unit_test_mirrors_a_source_module():
    strays = []
    for path in sorted((ROOT / "tests/unit").rglob("test_*.py")):
        relative = path.relative_to(ROOT / "tests/unit")
        name = relative.name.removeprefix("test_")
        if not any(
            (ROOT / relative.parent / candidate).exists()
            for candidate in (name, f"_{name}", name.removesuffix(".py"))
        ):
            strays.append(str(relative))
    assert strays == []


def test_the_top_level_holds_what_the_house_has():
    assert {
        path.relative_to(ROOT).parts[0]
        for path in _committed()
        if not path.relative_to(ROOT).parts[0].startswith(".")
    } <= TOP_LEVEL


@pytest.mark.parametrize(
    "pattern",
    [
        r"/root/|/home/\w+/|/work/\w+",
        r"https?://[\w.-]*(?:cdn|unpkg|jsdelivr|registry|pypi|npmjs)[\w.-]*",
    ],
)
def test_no_machine_path_and_no_package_host_is_committed(pattern):
    here = Path(__file__).resolve()
    found = [
        f"{path.relative_to(ROOT)}: {hit.group(0)}"
        for path in _committed()
        if path != here
        and path.suffix in {".py", ".md", ".toml", ".html", ".js", ".css", ".sh", ".json", ".yaml", ""}
        for hit in re.finditer(pattern, path.read_text(encoding="utf-8", errors="replace"))
    ]
    assert found == []


def test_nothing_promises_that_food_is_safe():
    found = [
        f"{path.relative_to(ROOT)}:{number}"
        for folder in ("dashboards", "services", "deploy")
        for path in (ROOT / folder).rglob("*")
        if path.suffix in {".html", ".js", ".py"} and "vendor" not in path.parts
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1)
        if re.search(r"(?i)\bsafe to (?:eat|cook|serve|use)|\bis safe\b|>\s*safe\s*<|food[- ]safe\b", line)
    ]
    assert found == []
