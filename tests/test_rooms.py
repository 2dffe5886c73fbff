"""The rooms of the package: who may import whom, and what the rules for judging a lot must not touch."""

import ast
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "lots"
FILES = sorted(PACKAGE.rglob("*.py"))
NAMES = [path.relative_to(ROOT).as_posix() for path in FILES]
DOMAIN = sorted((PACKAGE / "domain").glob("*.py"))
DOMAIN_NAMES = [path.name for path in DOMAIN]

# Arrows between the rooms. Files at the top of the package put the rooms together and may import any of them.
MAY_IMPORT = {
    "api": {"desks", "domain"},
    "desks": {"store", "domain"},
    "store": {"domain"},
    "domain": set(),
    "pages": set(),
}
TOP = "top of the package"

# Library -> where it may be imported.
ONLY_IN = {
    "colormath": {"lots/domain/color.py"},
    "colour": {"lots/domain/spectral_weights.py"},
    "peewee": {"lots/store"},
    "playhouse": {"lots/store"},
    # The package itself names the type that create_app returns.
    "flask": {"lots/api", "lots/pages", "lots/app.py", "lots/cli.py", "lots/demo.py", "lots/__init__.py"},
    "marshmallow": {"lots/api", "lots/app.py", "lots/cli.py", "lots/demo.py"},
    "flask_smorest": {"lots/api", "lots/app.py", "lots/cli.py", "lots/demo.py"},
    "webargs": {"lots/api", "lots/app.py", "lots/cli.py", "lots/demo.py"},
}
# What a pure function has no use for: chance, clocks, files, processes, networks.
IMPURE = {"random", "time", "secrets", "uuid", "os", "pathlib", "io", "shutil", "tempfile", "sqlite3", "subprocess"}
IMPURE |= {"socket", "urllib", "http", "logging", "threading", "asyncio"}
THIRD_PARTY_IN_DOMAIN = {"numpy", "scipy", "colormath", "colour"}
CLOCKS = {"now", "utcnow", "today", "fromtimestamp"}
LONGEST_FILE = 400


def tree(path: Path) -> ast.Module:
    """A file as Python reads it."""
    return ast.parse(path.read_text(encoding="utf-8"), str(path))


def imports(path: Path) -> set[str]:
    """Every module a file imports, anywhere in it, in full: relative imports too, and names that may be modules."""
    found: set[str] = set()
    package = path.relative_to(ROOT).with_suffix("").parts[:-1]
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else ()
            module = ".".join((*base, *([node.module] if node.module else [])))
            found |= {module} | {f"{module}.{alias.name}" for alias in node.names}
    return found


def room(path: Path) -> str:
    """The room a file stands in."""
    parts = path.relative_to(PACKAGE).parts
    return parts[0] if len(parts) > 1 else TOP


def rooms_entered(path: Path) -> set[str]:
    """The rooms a file imports from, the top of the package among them."""
    found = set()
    for name in imports(path):
        parts = name.split(".")
        if parts[0] == "lots" and len(parts) > 1:
            is_room = (PACKAGE / parts[1]).is_dir()
            found.add(parts[1] if is_room else TOP)
    return found


def test_the_rooms_are_the_ones_drawn():
    """The package has no folder of code that the arrows do not know."""
    assert {room(path) for path in FILES} - {TOP} <= set(MAY_IMPORT)


@pytest.mark.parametrize("path", FILES, ids=NAMES)
def test_no_file_imports_along_an_arrow_that_is_not_drawn(path):
    """The api uses desks and domain, desks use store and domain, store uses domain, domain uses nobody."""
    if (here := room(path)) != TOP:
        assert set() == rooms_entered(path) - {here} - MAY_IMPORT[here]


@pytest.mark.parametrize("path", FILES, ids=NAMES)
def test_each_library_is_used_only_where_it_belongs(path):
    """Colour mathematics, the database and HTTP each have one place."""
    name = path.relative_to(ROOT).as_posix()
    used = {module.split(".")[0] for module in imports(path)}
    astray = {
        library
        for library in used & set(ONLY_IN)
        if not any(name == place or name.startswith(place + "/") for place in ONLY_IN[library])
    }
    assert set() == astray


@pytest.mark.parametrize("path", DOMAIN, ids=DOMAIN_NAMES)
def test_the_domain_imports_nothing_impure(path):
    """The rules import only the standard library without its clocks, chance and files, numpy, scipy and (one file each) colormath and colour."""
    used = {module.split(".")[0] for module in imports(path)} - {"lots", "__future__"}
    assert set() == used & IMPURE
    assert set() == used - set(sys.stdlib_module_names) - THIRD_PARTY_IN_DOMAIN


@pytest.mark.parametrize("path", DOMAIN, ids=DOMAIN_NAMES)
def test_the_domain_asks_no_clock_and_opens_no_file(path):
    """No rule calls now, utcnow or today, open, input or print: times and data come in as arguments."""
    called = set()
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Call):
            if isinstance(node.func, ast.Attribute):
                called.add(node.func.attr)
            elif isinstance(node.func, ast.Name):
                called.add(node.func.id)
    assert set() == called & (CLOCKS | {"open", "input", "print", "eval", "exec", "__import__"})


@pytest.mark.parametrize("path", DOMAIN, ids=DOMAIN_NAMES)
def test_the_domain_loads_scipy_only_where_it_is_needed(path):
    """Neither scipy, colormath nor colour, all slow to load, is imported at the top of a file; functions that need them do so."""
    at_top = {alias.name for node in tree(path).body if isinstance(node, ast.Import) for alias in node.names}
    at_top |= {node.module or "" for node in tree(path).body if isinstance(node, ast.ImportFrom)}
    assert set() == {module.split(".")[0] for module in at_top} & {"scipy", "colormath", "colour"}


@pytest.mark.parametrize("path", FILES, ids=NAMES)
def test_every_module_says_what_it_is_for(path):
    """Each module begins with a docstring."""
    assert ast.get_docstring(tree(path))


@pytest.mark.parametrize("path", FILES, ids=NAMES)
def test_no_file_has_grown_into_two(path):
    """A file past 400 lines is two files."""
    assert len(path.read_text(encoding="utf-8").splitlines()) <= LONGEST_FILE


def test_the_domain_says_that_it_is_pure():
    """The folder of the rules has a README that states what may not be done in it."""
    text = (PACKAGE / "domain" / "README.md").read_text(encoding="utf-8")
    assert "opens a file, asks the time" in text
