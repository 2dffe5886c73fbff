"""The wheel alone, installed in a new environment, is complete and has its version."""

from __future__ import annotations

import subprocess
import sys
import venv
from pathlib import Path
from zipfile import ZipFile

import pytest

from lots import __version__

pytestmark = pytest.mark.served

ROOT = Path(__file__).parent.parent.parent
PYTHON = Path("bin/python")


def run(*command, **options):
    """Runs a command, which must succeed; returns its output."""
    done = subprocess.run([str(part) for part in command], capture_output=True, text=True, **options)
    assert 0 == done.returncode, done.stdout + done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    """The wheel of the present sources."""
    folder = tmp_path_factory.mktemp("wheel")
    run(sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "--wheel-dir", folder, ROOT)
    (made,) = folder.glob("*.whl")
    return made


@pytest.fixture(scope="module")
def installed(wheel, tmp_path_factory):
    """An environment with the wheel and its requirements."""
    folder = tmp_path_factory.mktemp("fresh")
    venv.create(folder, with_pip=True)
    run(folder / PYTHON, "-m", "pip", "install", "--quiet", wheel)
    return folder


def test_the_wheel_has_every_file_of_the_package(wheel):
    """The wheel has templates, style sheets, guides, migrations, fonts, demo data and the typing marker."""
    with ZipFile(wheel) as packed:
        inside = set(packed.namelist())
        (metadata,) = [packed.read(name).decode() for name in inside if name.endswith(".dist-info/METADATA")]
    files = [path for folder in ("lots", "seed_data") for path in (ROOT / folder).rglob("*") if path.is_file()]
    names = {path.relative_to(ROOT).as_posix() for path in files if "__pycache__" not in path.parts}
    wanted = {name.replace("seed_data/", "lots/seed_data/", 1) for name in names}
    assert set() == wanted - inside
    assert "lots/py.typed" in inside
    assert f"\nVersion: {__version__}\n" in metadata
    assert "\nClassifier: Typing :: Typed\n" in metadata


def test_the_installed_program_works_by_itself(installed, tmp_path):
    """The installed program prints its version, builds the whole demo and checks it."""
    program = installed / "bin" / "lots"
    assert __version__ in run(program, "--version")
    told = run(program, "demo", "--no-serve", cwd=tmp_path)
    assert "export ADMIN=" in told
    environment = {"LOTS_DATABASE": f"sqlite:///{tmp_path}/.demo/shop.sqlite3", "PATH": str(installed / "bin")}
    run(program, "check", cwd=tmp_path, env=environment)
    run(program, "migrate", cwd=tmp_path, env=environment)


def test_the_installed_program_serves_pages_and_papers(installed, tmp_path):
    """Health with version, sign-in page, style sheets, docs and the document are served."""
    script = (
        "import sys; from lots.app import create_app; from lots.settings import Settings\n"
        "client = create_app(Settings(database=f'sqlite:///{sys.argv[1]}', log_level='error')).test_client()\n"
        "print(client.get('/healthz').get_json()['version'])\n"
        "for path in sys.argv[2:]: print(path, client.get(path).status_code)\n"
    )
    paths = ("/sign-in", "/static/site.css", "/static/report.css", "/docs", "/docs/start.js", "/v1/openapi.json")
    told = run(installed / PYTHON, "-c", script, tmp_path / "new.sqlite3", *paths, cwd=tmp_path).split("\n")
    assert [__version__, *(f"{path} 200" for path in paths)] == told[:-1]
