"""The package's layers: who may import whom, who holds the heavy libraries, and what a bare import loads."""

from __future__ import annotations

import ast
import gc
import json
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

import evenflare

PACKAGE = Path(evenflare.__file__).parent
FILES = sorted(PACKAGE.rglob("*.py"))

READING = ("parsing", "database", "columns", "schema", "names")
GROUND = (
    "units",
    "text",
    "words",
    "temporary",
    "files",
    "compiled",
    "air",
    "waveguide",
    *READING,
    "directivity",
    "design",
)
LIBRARY = (
    *("units", "text", "words", "temporary", "bands", "files", "compiled", "air", "waveguide", *READING),
    *("directivity", "design", "closed_forms", "metrics", "coarseness", "room", "target", "exterior"),
    "radiation",
    *("objective", "search"),
)
"""From the ground up: a module imports only what stands before it."""
PEERS = {"bands": ("files",), "files": ("bands",)}
"""Side by side, whatever their place in the row."""
TRADES = ("manufacture", "measurement", "dsp", "inspection")
"""Beside the solvers and the search: what else is done with a waveguide or a directivity."""

ALLOWED = {
    **{unit: set(LIBRARY[:place]) - set(PEERS.get(unit, ())) for place, unit in enumerate(LIBRARY)},
    "manufacture": set(GROUND),
    "measurement": {*GROUND, "bands", "closed_forms", "metrics", "coarseness"},
    "dsp": {*GROUND, "bands", "closed_forms", "metrics", "coarseness", "exterior"},
    "inspection": set(GROUND),
    "studies": set(LIBRARY),
    "results": {*LIBRARY, "measurement", "dsp", "inspection", "studies"},
    "report": {*LIBRARY, *TRADES, "studies", "results"},
    "commands": {*LIBRARY, *TRADES, "studies", "results", "report"},
    "workbench": {*LIBRARY, *TRADES, "studies", "results", "report", "commands"},
    "cli": {*LIBRARY, *TRADES, "commands", "workbench"},
}

LIBRARIES = {
    "matplotlib": ("report.kit.canvas", "report.kit.letters", "report.waveguide.figures"),
    "mpl_toolkits": (),
    "reportlab": ("report.kit.paper", "report.kit.drafting"),
}
"""Which modules alone import a library that draws or sets pages."""
ROOMS = {
    "manufacture": {
        "comments": set(),
        "process": set(),
        "wall": {"process"},
        "part": {"comments", "process", "wall"},
        "points": {"part", "wall"},
        "milling": {"comments", "process", "wall", "part"},
        "proof": {"process", "wall", "part", "milling"},
        "sheets": {"process", "wall", "part", "points"},
        "casting": {"process", "wall", "part"},
        "printing": {"process", "part"},
        "gauges": {"process", "points", "casting", "sheets"},
    },
    "report": {
        "kit": set(),
        "shop": {"kit"},
        "waveguide": {"kit", "shop"},
        "measurement": {"kit"},
        "filters": {"kit", "waveguide"},
        "room": {"kit"},
        "inspection": {"kit", "waveguide"},
    },
}
"""Rooms within a room, and which of the others beside it each imports."""


def module_name(path: Path) -> str:
    """Below the package: `search.loop`, `search` for its __init__, `__init__` for the top level's."""
    parts = list(path.relative_to(PACKAGE).with_suffix("").parts)
    return ".".join(parts[:-1] if parts[-1] == "__init__" and len(parts) > 1 else parts)


@pytest.fixture(scope="module", autouse=True)
def trees() -> Iterator[None]:
    """All trees stay while these tests run: looking through them for garbage takes longer than the tests do."""
    gc.disable()
    yield
    for each in (nodes, parsed):
        each.cache_clear()
    gc.enable()


@cache
def nodes(tree: ast.AST) -> list[ast.AST]:
    """All of a tree, which every test here would walk through anew."""
    return list(ast.walk(tree))


def imported(tree: ast.AST) -> Iterator[tuple[int, str]]:
    """Line and full name of everything imported at any depth; a name taken from a module follows a dot."""
    for node in nodes(tree):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            start = "." * node.level + (node.module or "")
            yield from ((node.lineno, f"{start}.{alias.name}") for alias in node.names)


@cache
def parsed(path: Path) -> ast.Module:
    """A module of the package, for every test that walks through it."""
    return ast.parse(path.read_text(encoding="utf-8"))


def called(node: ast.AST) -> str:
    """The name of the function that a call calls, without what stands before its last dot."""
    if not isinstance(node, ast.Call):
        return ""
    return getattr(node.func, "attr", getattr(node.func, "id", ""))


def faults(module: str, tree: ast.Module) -> list[str]:
    """What in a module breaks the layers, as `module:line: what`."""
    unit, found = module.split(".")[0], []
    if unit != "__init__" and unit not in ALLOWED:
        return [f"{module}: has no layer"]
    inner = module.split(".")[1] if "." in module else ""
    if inner and unit in ROOMS and inner not in ROOMS[unit]:
        return [f"{module}: has no room"]
    for line, name in imported(tree):
        first, _, rest = name.partition(".")
        part, _, below = rest.partition(".")
        if inner and part == unit in ROOMS and below.split(".")[0] not in {inner, *ROOMS[unit][inner]}:
            found.append(f"{module}:{line}: imports {rest}")
        if first == "":
            found.append(f"{module}:{line}: relative import")
        elif rest.startswith("njit") and first == "numba" and module != "compiled":
            found.append(f"{module}:{line}: imports njit past compiled")
        elif first in LIBRARIES and module not in LIBRARIES[first]:
            found.append(f"{module}:{line}: imports {first}")
        elif first == "evenflare" and unit != "__init__" and part not in {*ALLOWED[unit], unit, "", "__version__"}:
            found.append(f"{module}:{line}: imports {part}")
    for node in nodes(tree):
        line = getattr(node, "lineno", 0)
        if called(node) in ("import_module", "__import__") and unit != "__init__":
            found.append(f"{module}:{line}: imports by name")
        if called(node) == "print" and unit != "cli":
            found.append(f"{module}:{line}: prints")
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            if node.value.id == "sys" and node.attr in ("stdout", "stderr") and unit != "cli":
                found.append(f"{module}:{line}: uses sys.{node.attr}")
            if node.value.id == "evenflare" and node.attr != "__version__":
                found.append(f"{module}:{line}: reaches evenflare.{node.attr} through the top level")
    return found


def test_modules_import_only_layers_below_and_speak_only_in_cli():
    assert [fault for path in FILES for fault in faults(module_name(path), parsed(path))] == []


@pytest.mark.parametrize(
    ("module", "source", "fault"),
    [
        ("units", "from evenflare.air import Air", "imports air"),
        ("bands", "import evenflare.files", "imports files"),
        ("files", "from evenflare.bands import midbands", "imports bands"),
        ("waveguide.space", "from evenflare.design import Design", "imports design"),
        ("schema", "from evenflare import design", "imports design"),
        ("metrics", "def late():\n    from evenflare import target", "imports target"),
        ("radiation.march", "if TYPE_CHECKING:\n    from evenflare.objective import Score", "imports objective"),
        ("manufacture.part.solid", "from evenflare.metrics import beamwidth", "imports metrics"),
        ("manufacture.part.solid", "from evenflare.manufacture.milling import gcode", "imports manufacture.milling"),
        ("manufacture.wall.grid", "from evenflare.manufacture import export", "imports manufacture.export"),
        ("search.loop", "from evenflare.results import tables", "imports results"),
        ("search.loop", "from evenflare.studies import trust", "imports studies"),
        ("studies.agreement", "from evenflare.results import tables", "imports results"),
        ("manufacture.points.points", "from evenflare.results import tables", "imports results"),
        ("results.tables", "from evenflare.report.kit import style", "imports report"),
        ("words", "from evenflare.directivity.types import Directivity", "imports directivity"),
        ("report.waveguide.page", "import evenflare.commands as words", "imports commands"),
        ("commands", "from evenflare.cli import DONE", "imports cli"),
        ("target", "from evenflare import score", "imports score"),
        ("target", "import evenflare\nevenflare.search", "reaches evenflare.search"),
        ("target", "import_module('evenflare.search')", "imports by name"),
        ("air", "from .search import run_search", "relative import"),
        ("report.kit.style", "def late():\n    import matplotlib.pyplot", "imports matplotlib"),
        ("report.shop.setup_sheet", "from reportlab.platypus import Table", "imports reportlab"),
        ("search.loop", "print('best so far')", "prints"),
        ("commands.check", "sys.stderr.write('bad')", "uses sys.stderr"),
        ("radiation.ring", "from numba import njit", "imports njit past compiled"),
        ("helpers", "", "has no layer"),
        ("report.helpers", "", "has no room"),
    ],
)
def test_arrow_that_is_not_downward_is_found(module, source, fault):
    assert [found for found in faults(module, ast.parse(source)) if fault in found]


def test_downward_arrows_are_not_faults():
    source = "import evenflare\nfrom evenflare import __version__, files\nfrom evenflare.search.race import Race\n"
    assert faults("search.loop", ast.parse(source + "evenflare.__version__")) == []


def test_every_layer_is_a_module_and_every_module_has_a_layer():
    assert {module_name(path).split(".")[0] for path in FILES} == {*ALLOWED, "__init__"}


def test_modules_have_at_most_400_lines():
    lines = {module_name(path): len(path.read_text(encoding="utf-8").splitlines()) for path in FILES}
    assert {module: count for module, count in lines.items() if count > 400} == {}


def loaded_after(code: str) -> set[str]:
    """Top-level names of all modules that a fresh process holds after `code`."""
    show = "import sys, json; print('\\n' + json.dumps(sorted({name.split('.')[0] for name in sys.modules})))"
    done = subprocess.run([sys.executable, "-c", f"{code}\n{show}"], capture_output=True, text=True, check=True)
    return set(json.loads(done.stdout.splitlines()[-1]))


HEAVY = {
    *("numba", "llvmlite", "matplotlib", "reportlab", "pydantic", "stl", "cma", "shapely", "scipy", "numpy"),
    *("tomlkit", "jinja2"),
}


def test_bare_import_loads_no_heavy_library():
    loaded = loaded_after("import evenflare; assert evenflare.__version__")
    assert "evenflare" in loaded
    assert loaded & HEAVY == set()


@pytest.mark.parametrize("words", [["--help"], ["--version"], ["search", "--help"], ["solve"]])
def test_help_loads_no_heavy_library(words):
    code = f"from evenflare.cli import run\ntry:\n    run({words})\nexcept SystemExit:\n    pass"
    assert loaded_after(code) & HEAVY == set()


@pytest.mark.parametrize(
    ("module", "light_of"),
    [
        ("evenflare.manufacture", {"numba", "matplotlib", "cma", "pydantic", "jinja2"}),
        ("evenflare.commands.designs", {"numba", "matplotlib", "reportlab", "stl", "cma", "jinja2"}),
        (
            "evenflare.studies.agreement, evenflare.studies.cabinet, "
            "evenflare.results.comparison, evenflare.results.crossover",
            {"matplotlib", "stl", "cma", "jinja2"},
        ),
        ("evenflare.radiation.march, evenflare.radiation.loudspeaker_elements", {"shapely", "matplotlib", "tomlkit"}),
    ],
)
def test_module_loads_only_what_it_needs(module, light_of):
    assert loaded_after(f"import {module}") & light_of == set()


def classes(tree: ast.AST) -> Iterator[str]:
    """Names of the classes in a module, at any depth."""
    return (node.name for node in nodes(tree) if isinstance(node, ast.ClassDef))


def test_a_class_name_means_one_thing_in_the_whole_package():
    homes: dict[str, list[str]] = {}
    for path in FILES:
        for name in classes(parsed(path)):
            homes.setdefault(name, []).append(module_name(path))
    assert {name: modules for name, modules in homes.items() if len(modules) > 1} == {}


def test_a_function_says_at_what():
    functions = (ast.FunctionDef, ast.AsyncFunctionDef)
    assert [
        f"{module_name(path)}:{node.lineno}"
        for path in FILES
        for node in nodes(parsed(path))
        if isinstance(node, functions) and node.name == "at"
    ] == []


def package_name(path: Path) -> str:
    """As it is imported."""
    return ".".join(["evenflare", *module_name(path).split(".")]).removesuffix(".__init__")


def used_names(path: Path) -> Iterator[tuple[str, str]]:
    """Module and name of what a module of the package takes from another, or of its own outside where it is defined."""
    tree, own = parsed(path), package_name(path)
    taken = [(node.module, each) for node in nodes(tree) if isinstance(node, ast.ImportFrom) for each in node.names]
    yield from ((str(module), each.name) for module, each in taken)
    beside = {each.asname or each.name: f"{module}.{each.name}" for module, each in taken}
    for node in nodes(tree):
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            yield beside.get(node.value.id, ""), node.attr
    for part in tree.body:
        for node in nodes(part):
            if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Load) and node.id != getattr(part, "name", ""):
                yield own, node.id


def test_no_function_or_class_is_there_for_tests_alone():
    used = {each for path in FILES for each in used_names(path)}
    defined = {
        (package_name(path), part.name)
        for path in FILES
        for part in parsed(path).body
        if isinstance(part, ast.FunctionDef | ast.ClassDef)
    }
    asked_by_the_interpreter = ("evenflare", "__getattr__")
    assert defined - used == {asked_by_the_interpreter}
