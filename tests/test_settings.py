"""Settings: precedence and validation."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from lots.app import create_app
from lots.settings import TABLE, BadSettings, Settings, load_settings, unknown_variables
from lots.store.engine import database


def test_nothing_set_gives_the_defaults_of_the_table() -> None:
    """The table and the defaults in code are equal."""
    assert {setting.name: setting.default for setting in TABLE} == {
        setting.name: getattr(load_settings({}), setting.name) for setting in TABLE
    }


def test_the_guide_lists_every_setting_with_its_default() -> None:
    """The table of settings in the administrators' guide is the one in code."""
    guide = Path(__file__).parent.parent.joinpath("lots/pages/guides/administration.md").read_text("utf-8")
    for setting in TABLE:
        assert f"| `{setting.name}` | `{setting.variable}` | `{setting.default}` |" in guide


def test_the_environment_wins_over_the_file(tmp_path: Path) -> None:
    """A variable overrides the TOML file, and the file the default."""
    file = tmp_path / "lots.toml"
    file.write_text('port = 9001\nhost = "0.0.0.0"\n', "utf-8")
    found = load_settings({"LOTS_SETTINGS": str(file), "LOTS_PORT": "9002"})
    assert (9002, "0.0.0.0") == (found.port, found.host)  # noqa: S104  # an address in a test


def test_what_is_given_on_the_command_line_wins_over_all() -> None:
    """An option overrides the environment."""
    assert 9003 == load_settings({"LOTS_PORT": "9002"}, port=9003).port


def test_an_unknown_setting_in_the_file_is_refused_by_name(tmp_path: Path) -> None:
    """An unknown setting in the file is refused by name."""
    file = tmp_path / "lots.toml"
    file.write_text("prot = 9001\n", "utf-8")
    with pytest.raises(BadSettings, match="prot"):
        load_settings({"LOTS_SETTINGS": str(file)})


def test_a_misspelt_setting_in_the_file_is_answered_with_the_name_that_was_meant(tmp_path: Path) -> None:
    """A typing error and capitals in a setting are refused with the right name."""
    file = tmp_path / "lots.toml"
    for written, meant in (("databse = 'sqlite:///x'", "database"), ("Port = 9001", "port")):
        file.write_text(written, "utf-8")
        with pytest.raises(BadSettings, match=f"Did you mean {meant}\\?"):
            load_settings({"LOTS_SETTINGS": str(file)})


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("LOTS_PROT", "LOTS_PORT"),
        ("LOTS_PORTS", "LOTS_PORT"),
        ("LOTS_DATABSE", "LOTS_DATABASE"),
        ("LOTS_DTABSE", "LOTS_DATABASE"),
        ("LOTS_MAX_BODY_BYTE", "LOTS_MAX_BODY_BYTES"),
        ("LOTS_SETTING", "LOTS_SETTINGS"),
        ("LOTS_LOGLEVEL", "LOTS_LOG_LEVEL"),
        ("Lots_Port", "LOTS_PORT"),
        ("lots_port", "LOTS_PORT"),
        ("lots_settings", "LOTS_SETTINGS"),
    ],
)
def test_a_variable_that_is_nearly_a_setting_is_refused(written: str, meant: str) -> None:
    """A variable similar to a setting is refused with both names, because a wrong port or database is noticed late."""
    with pytest.raises(BadSettings, match=f"^{written} .*Write {meant}[.,]"):
        load_settings({written: "1"})


def test_variables_of_others_are_left_alone_and_told() -> None:
    """Variables of tests and scripts are accepted, and unread ones reported."""
    others = ("LOTS_TEST_POSTGRES", "LOTS_TEST_NO_SKIPS", "LOTS_VENV", "LOTS_PORT")
    unknown = ("LOTS_DATA", "LOTS_HOME", "LOTS_LOG_FILE", "LOTS_TOKEN")
    environment = dict.fromkeys((*others, *unknown, "LOT_PORT", "lots_home"), "9002")
    assert 9002 == load_settings(environment).port
    assert list(unknown) == unknown_variables(environment)


def test_a_server_warns_of_variables_that_nobody_reads(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A server logs one warning per unread variable."""
    monkeypatch.setenv("LOTS_DATABASE", f"sqlite:///{tmp_path / 'shop.sqlite3'}")
    monkeypatch.setenv("LOTS_HOME", str(tmp_path))
    create_app()
    database.close()
    (line,) = [json.loads(line) for line in capsys.readouterr().err.splitlines()]
    assert ("warning", True) == (line["level"], line["message"].startswith("LOTS_HOME is set"))


@pytest.mark.parametrize(
    "written",
    [
        "port = 80.5",
        "port = true",
        "port = [1]",
        "host = 5",
        "host = ['127.0.0.1']",
        "database = {url = 'geheim'}",
        "log = 1",
        "metrics_open = 'yes'",
        "log_level = 'chatty'",
        "threads = 0",
        "proxy = 'proxy.example'",
        "port = ",
    ],
)
def test_a_value_of_another_kind_in_the_file_is_refused_in_one_line(tmp_path: Path, written: str) -> None:
    """A value of another type is refused in one line with the setting or the unreadable file, without an address."""
    file = tmp_path / "lots.toml"
    file.write_text(written, "utf-8")
    with pytest.raises(BadSettings) as refused:
        load_settings({"LOTS_SETTINGS": str(file)})
    said = str(refused.value)
    assert written.split(" ")[0] in said or str(file) in said
    assert (1, False) == (len(said.splitlines()), "geheim" in said)


@pytest.mark.parametrize(
    ("environment", "named"),
    [
        ({"LOTS_PORT": "many"}, "port"),
        ({"LOTS_PORT": "0"}, "port"),
        ({"LOTS_DATABASE": "mysql://host/lots"}, "database"),
        ({"LOTS_MAX_BODY_BYTES": "1"}, "max_body_bytes"),
        ({"LOTS_SETTINGS": "no/such/file.toml"}, "no/such/file.toml"),
    ],
)
def test_a_value_that_cannot_be_used_is_refused_with_its_name(environment: dict[str, str], named: str) -> None:
    """An invalid value is refused with its setting."""
    with pytest.raises(BadSettings, match=named):
        load_settings(environment)


def test_settings_cannot_be_changed_once_made() -> None:
    """Settings are frozen."""
    with pytest.raises(AttributeError):
        Settings().port = 1  # type: ignore[misc]  # the point of the test
