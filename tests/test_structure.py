"""The shape of the code: imports go one way, the wheel holds our packages, rules are complete."""

from __future__ import annotations

import ast
import os
import re
import subprocess
import sys
import zipfile
from functools import cache
from pathlib import Path
from runpy import run_path

import pytest
from helpers.nights.small_plant import copy_plant

import rowcall_rules
from rowcall.diagnosis.rule_book import load_rules

ROOT = Path(__file__).parent.parent
PACKAGES = ("rowcall", "rowcall_rules", "rowcall_reports", "rowcall_plant")
FOLDERS = {
    "rowcall": ROOT / "pipeline" / "rowcall",
    "rowcall_rules": ROOT / "rules" / "rowcall_rules",
    "rowcall_reports": ROOT / "reports" / "rowcall_reports",
    "rowcall_plant": ROOT / "fixtures" / "rowcall_plant",
}
MOST_MODULES = 15  # beside its subfolders: what a reader takes in at a glance
# Earlier on the road first; a place may import from itself and from what stands before it.
ROAD = (
    (
        "rowcall.errors",
        "rowcall.csv_text",
        "rowcall.progress",
        "rowcall.units",
        "rowcall.days",
        "rowcall.media",
        "rowcall.site.toml_lines",
    ),
    ("rowcall.trade",),
    ("rowcall.site",),
    ("rowcall.site_file", "rowcall.work_log"),
    ("rowcall.model",),
    ("rowcall.gas", "rowcall.bags"),
    ("rowcall.day_report", "rowcall.file_note"),
    ("rowcall.mail",),
    ("rowcall.store", "rowcall.guard"),
    ("rowcall.take_in",),
    ("rowcall.condition",),
    ("rowcall.draft", "rowcall.look"),
    ("rowcall.events",),
    ("rowcall.diagnosis",),
    ("rowcall.memory",),
    ("rowcall_rules", "rowcall_reports", "rowcall_plant"),
    ("rowcall.runs",),
    ("rowcall.reference",),
    ("rowcall.cli", "rowcall.commands", "rowcall.run_log", "rowcall.start"),
)


def modules() -> dict[str, Path]:
    found = {}
    for package, folder in FOLDERS.items():
        for path in sorted(folder.rglob("*.py")):
            parts = path.relative_to(folder).with_suffix("").parts
            name = ".".join((package, *(part for part in parts if part != "__init__")))
            found[name] = path
    return found


def rank(module: str) -> int:
    for number, places in enumerate(ROAD):
        if any(module == place or module.startswith(place + ".") for place in places):
            return number
    return len(ROAD)


@cache
def imports(path: Path) -> frozenset[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and not node.level:
            names.add(node.module)
        elif isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
    return frozenset(name for name in names if name.split(".")[0] in PACKAGES)


def test_no_step_imports_a_later_one() -> None:
    against = [
        f"{name} imports {target}"
        for name, path in modules().items()
        for target in imports(path)
        if target != "rowcall"
        and rank(target) > rank(name)
        # The rule book finds the rules by their package; that is its purpose.
        and (name, target) != ("rowcall.diagnosis.rule_book", "rowcall_rules")
    ]
    assert against == []


def circles(graph: dict[str, set[str]]) -> list[str]:
    """Return the modules that reach themselves by their imports."""

    def reached(start: str) -> set[str]:
        seen: set[str] = set()
        waiting = list(graph[start])
        while waiting:
            here = waiting.pop()
            if here not in seen:
                seen.add(here)
                waiting += graph.get(here, ())
        return seen

    return [name for name in graph if name in reached(name)]


def test_a_circle_is_seen() -> None:
    assert circles({"a": {"b"}, "b": {"a"}, "c": {"a"}}) == ["a", "b"]


def test_no_imports_go_in_a_circle() -> None:
    """Those for type checking only count too: a reader has to follow them."""
    known = modules()
    graph = {}
    for name, path in known.items():
        targets = imports(path)
        if path.name == "__init__.py":  # it gathers what its modules offer
            continue
        graph[name] = {target for target in targets if target in known and target != name}
    assert circles(graph) == []


def test_no_test_module_imports_from_another() -> None:
    """What they share stands in tests/helpers, so that each can be read and moved alone."""
    named = re.compile(r"^\s*(?:from|import) (?:\w+\.)*test_\w+", re.MULTILINE)
    found = {
        path.name: names
        for path in (ROOT / "tests").rglob("*.py")
        if (names := named.findall(path.read_text(encoding="utf-8")))
    }
    assert found == {}


@pytest.mark.parametrize("package", PACKAGES)
def test_no_folder_is_crowded(package: str) -> None:
    folders = {path.parent for path in FOLDERS[package].rglob("*.py")}
    crowded = {
        str(folder.relative_to(ROOT)): n
        for folder in folders
        if (n := sum(path.name != "__init__.py" for path in folder.glob("*.py"))) > MOST_MODULES
    }
    assert crowded == {}


def test_no_module_name_has_two_meanings() -> None:
    names = [path.stem for path in modules().values() if path.stem != "__init__"]
    assert {name for name in names if names.count(name) > 1} == set()


def test_the_simulator_knows_nothing_of_rowcall() -> None:
    """Its truth would be worth nothing otherwise."""
    for name, path in modules().items():
        if name.startswith("rowcall_plant"):
            assert {target.split(".")[0] for target in imports(path)} <= {"rowcall_plant"}, name


def test_reports_and_rules_do_not_touch_the_store() -> None:
    for name, path in modules().items():
        if name.startswith(("rowcall_rules", "rowcall_reports")):
            touched = {
                t for t in imports(path) if t.startswith(("rowcall.store", "rowcall.take_in"))
            }
            assert touched == set(), name


@pytest.mark.parametrize(
    ("module", "heavy"),
    [
        ("rowcall.cli", {"pydantic", "numpy", "polars", "duckdb", "logging.handlers"}),
        ("rowcall.site_file", {"numpy", "polars", "duckdb"}),
        ("rowcall.take_in", {"numpy", "polars", "pyarrow"}),
        ("rowcall.take_in.read.opening", {"numpy", "pyarrow"}),
    ],
)
def test_what_takes_long_to_load_is_not_loaded_before_it_is_used(
    module: str, heavy: set[str]
) -> None:
    code = f"import sys, {module}; print(*sys.modules)"
    done = subprocess.run(
        [sys.executable, "-c", code], check=True, capture_output=True, text=True, cwd=ROOT
    )
    assert heavy & set(done.stdout.split()) == set()


_HEAVY_OF_A_NIGHT = {
    *("numpy", "polars", "pyarrow", "scipy", "matplotlib", "markdown_it", "smtplib"),
    *("fsspec", "s3fs"),
    *("rowcall_rules", "rowcall_reports", "rowcall.model", "rowcall.events", "rowcall.condition"),
}
# Stand-ins for pictures are found first; see tests/runs/child.
_PATHS = [str(ROOT / "tests" / "runs" / "child"), str(ROOT / "tests"), *sys.path[1:]]
_NIGHT = """
import sys
from datetime import UTC, datetime
from pathlib import Path
from rowcall.runs.nightly import run_nightly
from rowcall.site_file import read_site
site, now = read_site(Path(sys.argv[1])), datetime(2026, 3, 31, 4, tzinfo=UTC)
result = run_nightly(site, now=now, wait_s=0, settle_s=0, progress=lambda text: None)
print(result.stored, *sys.modules)
"""


def test_an_idle_night_loads_nothing_that_takes_long(made: Path, tmp_path: Path) -> None:
    """With its inbox and work log known, no day due, and every mail with its readers."""
    plant = copy_plant(made, tmp_path / "plant")
    site, log = plant / "site.toml", "time,baghouse,work\n2026-03-28,F1,set point changed\n"
    text = site.read_text(encoding="utf-8").replace("[folders]", '[folders]\nwork_log = "log.csv"')
    archive = '[archive]\nafter_days = 100\nfolder = "s3://plants"\n'
    site.write_text(archive + text, encoding="utf-8")
    (plant / "log.csv").write_text(log, encoding="utf-8")
    idle, busy = _HEAVY_OF_A_NIGHT, {"numpy", "polars", "scipy", "rowcall_rules", "rowcall.events"}
    for stored, absent, present in ((3, set[str](), busy), (0, idle, set[str]())):
        done = subprocess.run(
            [sys.executable, "-c", _NIGHT, str(plant / "site.toml")],
            check=True,
            capture_output=True,
            text=True,
            cwd=ROOT,
            env={**os.environ, "PYTHONPATH": os.pathsep.join(_PATHS)},
        )
        count, *loaded = done.stdout.split()
        assert int(count) == stored
        assert absent & set(loaded) == set()
        assert present - set(loaded) == set()


def test_every_rule_file_is_a_loaded_rule() -> None:
    folder = Path(next(iter(rowcall_rules.__path__)))
    paths = folder.glob("*/[!_]*.py")
    files = {path.stem for path in paths if path.parent.name != "causes"}
    assert {rule.name for rule in load_rules()} == files
    assert files


def test_every_rule_has_its_test_file() -> None:
    for rule in load_rules():
        assert list((ROOT / "tests" / "rules").glob(f"test_{rule.name}*.py")), rule.name


def test_every_change_of_the_mutation_run_still_fits_the_code() -> None:
    """One that does not ends the whole run, and is seen months later."""
    script = run_path(str(ROOT / "tests" / "benchmarks" / "mutations.py"))
    assert [problem for one in script["MUTATIONS"] if (problem := script["misfit"](one))] == []


def test_the_top_level_holds_what_the_design_card_allows() -> None:
    done = subprocess.run(
        ["git", "ls-tree", "--name-only", "HEAD"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode != 0:
        pytest.skip("not a git checkout")
    allowed = {
        "README.md",
        "DEVELOPERS.md",
        "LICENSE",
        "pyproject.toml",
        "requirements.lock",
        "pipeline",
        "rules",
        "tests",
        "fixtures",
        "reports",
    }
    seen = {name for name in done.stdout.split() if not name.startswith(".")}
    assert seen <= allowed


def test_the_wheel_holds_our_packages_and_nothing_else(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path)]
    subprocess.run(command, cwd=ROOT, check=True, capture_output=True)
    (wheel,) = tmp_path.glob("*.whl")
    with zipfile.ZipFile(wheel) as packed:
        names = packed.namelist()
    top = {name.split("/")[0] for name in names}
    assert {name for name in top if not name.endswith(".dist-info")} == set(PACKAGES)
    for package in PACKAGES:
        assert f"{package}/py.typed" in names
    assert "rowcall_reports/tables/schemas/findings.json" in names
    inside = {name for name in names if name.endswith(".py")}
    assert len(inside) == len(modules())
    texts = [
        path for kind in ("*.md", "*.toml") for one in FOLDERS.values() for path in one.rglob(kind)
    ]
    assert len({name for name in names if name.endswith((".md", ".toml"))}) == len(texts)
