"""Settings: what wins over what, and what is refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from lots.settings import TABLE, BadSettings, Settings, load_settings


def test_nothing_set_gives_the_defaults_of_the_table() -> None:
    """The table and the defaults in code are the same."""
    assert {setting.name: setting.default for setting in TABLE} == {
        setting.name: getattr(load_settings({}), setting.name) for setting in TABLE
    }


def test_readme_lists_every_setting_with_its_default() -> None:
    """README's table of settings is the one in code."""
    readme = Path(__file__).parent.parent.joinpath("README.md").read_text("utf-8")
    for setting in TABLE:
        assert f"| `{setting.name}` | `{setting.variable}` | `{setting.default}` |" in readme


def test_the_environment_wins_over_the_file(tmp_path: Path) -> None:
    """A variable beats the same setting in the TOML file; the file beats the default."""
    file = tmp_path / "lots.toml"
    file.write_text('port = 9001\nhost = "0.0.0.0"\n', "utf-8")
    found = load_settings({"LOTS_SETTINGS": str(file), "LOTS_PORT": "9002"})
    assert (9002, "0.0.0.0") == (found.port, found.host)  # noqa: S104  # an address in a test


def test_what_is_given_on_the_command_line_wins_over_all() -> None:
    """An option beats the environment."""
    assert 9003 == load_settings({"LOTS_PORT": "9002"}, port=9003).port


def test_an_unknown_setting_in_the_file_is_refused_by_name(tmp_path: Path) -> None:
    """A misspelt setting is not passed over."""
    file = tmp_path / "lots.toml"
    file.write_text("prot = 9001\n", "utf-8")
    with pytest.raises(BadSettings, match="prot"):
        load_settings({"LOTS_SETTINGS": str(file)})


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
    """The message says which setting is wrong."""
    with pytest.raises(BadSettings, match=named):
        load_settings(environment)


def test_settings_cannot_be_changed_once_made() -> None:
    """Settings are frozen: what serves is what was read."""
    with pytest.raises(AttributeError):
        Settings().port = 1  # type: ignore[misc]  # the point of the test
