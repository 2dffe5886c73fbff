"""Packages of the program: permitted imports, sizes, and the purity of the rules."""

import ast
import sys
from collections.abc import Callable
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "lots"
FILES = sorted(PACKAGE.rglob("*.py"))
DOMAIN = [path for path in FILES if PACKAGE / "domain" in path.parents]

# Permitted imports between packages. Files at the top may import all packages.
TOP = "top of the package"
MAY_IMPORT = {
    "api": {"services", "domain"},
    # From the API, pages import schemas of requests, permissions, pictures and papers.
    "pages": {"api", "services", "domain"},
    "services": {"store", "domain"},
    "store": {"domain"},
    "domain": set(),
    # The commands.
    "commands": {TOP, "api", "services", "store", "domain"},
    # The HTTP server is independent of the application.
    "serving": set(),
}

# Library -> places that may import it.
ONLY_IN = {
    "colormath": {"lots/domain/colorimetry/color_difference.py"},
    "colour": {"lots/domain/colorimetry/spectral_weights.py"},
    "peewee": {"lots/store"},
    "playhouse": {"lots/store"},
    # The package names the return type of create_app.
    "flask": {"lots/api", "lots/pages", "lots/app.py", "lots/cli.py", "lots/demo.py", "lots/__init__.py"},
    "marshmallow": {"lots/api", "lots/pages/site/calls.py", "lots/app.py", "lots/cli.py", "lots/demo.py"},
    "flask_smorest": {"lots/api", "lots/app.py", "lots/cli.py", "lots/demo.py"},
    "webargs": {"lots/api", "lots/app.py", "lots/cli.py", "lots/demo.py"},
}
# Not for pure functions: randomness, clocks, files, processes, networks.
IMPURE = {"random", "time", "secrets", "uuid", "os", "pathlib", "io", "shutil", "tempfile", "sqlite3", "subprocess"}
IMPURE |= {"socket", "urllib", "http", "logging", "threading", "asyncio", "importlib"}
# Reads a table of constants that is a part of the package.
OWN_TABLE = {"lots/domain/colorimetry/spectral_weights.py": {"importlib"}}
IMPURE_CALLS = {"now", "utcnow", "today", "fromtimestamp", "open", "input", "print", "eval", "exec", "__import__"}
THIRD_PARTY_IN_DOMAIN = {"numpy", "scipy", "colormath", "colour"}
SLOW_TO_LOAD = {"scipy", "colormath", "colour"}
LONGEST_FILE = 400
MOST_ENTRIES = 16


@cache
def tree(path: Path) -> ast.Module:
    """The syntax tree of a file."""
    return ast.parse(path.read_text(encoding="utf-8"), str(path))


def name(path: Path) -> str:
    """The path of a file from the root."""
    return path.relative_to(ROOT).as_posix()


@cache
def imports(path: Path) -> frozenset[str]:
    """Every imported module of a file with its full name: relative imports too, and names that could be modules."""
    found: set[str] = set()
    package = path.relative_to(ROOT).with_suffix("").parts[:-1]
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else ()
            module = ".".join((*base, *([node.module] if node.module else [])))
            found |= {module} | {f"{module}.{alias.name}" for alias in node.names}
    return frozenset(found)


def libraries(path: Path) -> set[str]:
    """The top names of all imports of a file."""
    return {module.split(".")[0] for module in imports(path)}


def room(path: Path) -> str:
    """The package of a file."""
    parts = path.relative_to(PACKAGE).parts
    return parts[0] if len(parts) > 1 else TOP


def rooms_entered(path: Path) -> set[str]:
    """The packages a file imports from, with the top of the program."""
    parts = [module.split(".") for module in imports(path) if module.startswith("lots.")]
    return {part[1] if (PACKAGE / part[1]).is_dir() else TOP for part in parts}


def at_top(path: Path) -> set[str]:
    """The libraries loaded with a file."""
    found = {alias.name for node in tree(path).body if isinstance(node, ast.Import) for alias in node.names}
    found |= {node.module or "" for node in tree(path).body if isinstance(node, ast.ImportFrom)}
    return {module.split(".")[0] for module in found}


def calls(path: Path) -> set[str]:
    """The names of all called functions and methods of a file."""
    called = [node.func for node in ast.walk(tree(path)) if isinstance(node, ast.Call)]
    return {func.attr if isinstance(func, ast.Attribute) else getattr(func, "id", "") for func in called}


def reached(graph: dict[str, set[str]], start: str) -> set[str]:
    """Every subject that one imports, directly or indirectly."""
    found, waiting = set(), list(graph.get(start, ()))
    while waiting:
        if (here := waiting.pop()) not in found:
            found.add(here)
            waiting += graph.get(here, ())
    return found


def test_the_rooms_are_the_ones_drawn():
    """Every folder of code has an arrow here."""
    assert {room(path) for path in FILES} - {TOP} <= set(MAY_IMPORT)


def test_no_file_imports_along_an_arrow_that_is_not_drawn():
    """Pages use the API, both use services and domain, services use store and domain, store uses domain, domain uses none."""
    inside = [path for path in FILES if room(path) != TOP]
    entered = {name(path): rooms_entered(path) - {room(path)} - MAY_IMPORT[room(path)] for path in inside}
    assert {} == {file: rooms for file, rooms in entered.items() if rooms}


def floors(place: Callable[[Path], str | None]) -> list[str]:
    """Groups of places in a package that import each other, directly or through others; `place` gives the place of a file."""
    where = {".".join(path.relative_to(ROOT).with_suffix("").parts): path for path in FILES}
    graph: dict[str, set[str]] = {}
    for path in FILES:
        here = place(path)
        others = {where[module] for module in imports(path) if module in where}
        there = {place(other) for other in others if room(other) == room(path)}
        if here:
            graph.setdefault(here, set()).update(other for other in there if other and other != here)
    return sorted(here for here in graph if here in reached(graph, here))


def test_no_two_subjects_of_a_room_import_each_other():
    """No two subjects of a package import each other, directly or through others."""
    assert [] == floors(
        lambda path: "/".join(path.relative_to(PACKAGE).with_suffix("").parts[:2]) if room(path) != TOP else None
    )


def test_no_two_folders_import_each_other():
    """No two folders, however deep, import each other."""
    assert [] == floors(lambda path: name(path.parent) if room(path) != TOP else None)


def test_no_room_or_folder_is_crowded():
    """A package and each folder have at most 16 entries, without `__init__.py` and README."""
    crowded = {}
    for folder in sorted({path.parent for path in FILES}):
        # py.typed only says that the package has types.
        entries = {path.name for path in folder.iterdir()} - {"__init__.py", "README.md", "__pycache__", "py.typed"}
        if len(entries) > MOST_ENTRIES:
            crowded[name(folder)] = len(entries)
    assert {} == crowded


def test_each_library_is_used_only_where_it_belongs():
    """Colour mathematics, the database and HTTP have one place each."""
    astray = {
        (name(path), library)
        for path in FILES
        for library in libraries(path) & set(ONLY_IN)
        if not any(name(path) == place or name(path).startswith(place + "/") for place in ONLY_IN[library])
    }
    assert set() == astray


def test_the_domain_is_pure():
    """The domain imports nothing impure, reads no clock and opens no file."""
    impure = {}
    for path in DOMAIN:
        used = libraries(path) - {"lots", "__future__"} - OWN_TABLE.get(name(path), set())
        wrong = (
            used & IMPURE | (used - set(sys.stdlib_module_names) - THIRD_PARTY_IN_DOMAIN) | calls(path) & IMPURE_CALLS
        )
        if wrong:
            impure[name(path)] = wrong
    assert {} == impure


def test_the_domain_loads_slow_libraries_only_where_they_are_needed():
    """scipy, colormath and colour are imported inside functions, not at the top of a file."""
    assert {} == {name(path): slow for path in DOMAIN if (slow := at_top(path) & SLOW_TO_LOAD)}


def test_every_module_says_what_it_is_for():
    """Each module begins with a docstring."""
    assert [] == [name(path) for path in FILES if not ast.get_docstring(tree(path))]


def test_no_file_has_grown_into_two():
    """A file has at most 400 lines."""
    lengths = {name(path): len(path.read_text(encoding="utf-8").splitlines()) for path in FILES}
    assert {} == {file: lines for file, lines in lengths.items() if lines > LONGEST_FILE}


def test_the_domain_says_that_it_is_pure():
    """The README of the domain states its purity."""
    text = (PACKAGE / "domain" / "README.md").read_text(encoding="utf-8")
    assert "reads no files except one table of the package, reads no clock" in text
