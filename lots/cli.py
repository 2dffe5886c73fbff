"""The `lots` command. Results go to standard output, messages to standard error; 0 done, 1 the answer is no, 2 wrong usage."""

from __future__ import annotations

import socket
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

from lots.settings import BadSettings, Settings, load_settings


@contextmanager
def _plainly() -> Iterator[None]:
    """Turns the troubles a person can do something about into one line and an exit status."""
    from lots.desks.errors import LotsError
    from lots.store.database import Unavailable
    from lots.store.schema import WrongSchema

    try:
        yield
    except BadSettings as error:
        _stop(str(error), 2)
    except LotsError as error:
        _stop(error.detail, 1)
    except Unavailable as error:
        _stop(
            f"The database cannot be used: {error}. Check LOTS_DATABASE, and that its folder exists and may be written to.",
            1,
        )
    except (WrongSchema, ImportError, OSError) as error:
        _stop(str(error), 1)


def _stop(message: str, status: int) -> None:
    click.echo(f"lots: {message}", err=True)
    sys.exit(status)


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="lots")
def main() -> None:
    """Filament lots: measured against what was approved, blocked when out, traced when loaded.

    Settings come from LOTS_DATABASE, LOTS_HOST, LOTS_PORT, or a TOML file named by LOTS_SETTINGS.
    """


@main.command()
@click.option("--no-serve", is_flag=True, help="Stop after the story.")
@click.option("--port", type=click.IntRange(1, 65535), help="Port to serve on.  [default: 8080]")
def demo(no_serve: bool, port: int | None) -> None:
    """Build an invented shop in .demo/, tell the story of one delivery, then serve it on this machine."""
    from lots import demo as shop

    with _plainly():
        settings = load_settings({}, port=port)
        if not no_serve:
            _check_free("127.0.0.1", settings.port)
        app, tokens, loaded = shop.build()
        shop.tell(app, tokens, loaded, click.echo)
        click.echo("")
        click.echo("A token for each desk; paste these lines into the shell you try it from:")
        for role, token in tokens.items():
            click.echo(f"export {role.upper()}={token}")
        click.echo(f"export API=http://127.0.0.1:{settings.port}/v1")
        if no_serve:
            click.echo(
                f"\nThe shop is in {loaded['path']}. `lots demo` without --no-serve builds it anew and serves it."
            )
            return
        click.echo(
            f"\nThe API is at http://127.0.0.1:{settings.port}/v1, its pages at http://127.0.0.1:{settings.port}/docs. Stop with Ctrl+C."
        )
        sys.stdout.flush()
        _serve(app, Settings(database=f"sqlite:///{loaded['path']}", port=settings.port))


@main.command()
@click.option("--host", help="Address to serve on; over LOTS_HOST.")
@click.option("--port", type=click.IntRange(1, 65535), help="Port to serve on; over LOTS_PORT.")
def serve(host: str | None, port: int | None) -> None:
    """Serve the API on the database that LOTS_DATABASE names; an empty one gets its tables."""
    from lots.app import create_app

    with _plainly():
        settings = load_settings(host=host, port=port)
        _check_free(settings.host, settings.port)
        app = create_app(settings)
        click.echo(
            f"lots: serving http://{settings.host}:{settings.port}/v1, docs at /docs. Stop with Ctrl+C.", err=True
        )
        _serve(app, settings)


def _check_free(host: str, port: int) -> None:
    with socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError as error:
            raise OSError(
                f"Port {port} of {host} cannot be used ({error.strerror}). Give another one with --port."
            ) from None


def _serve(app: Any, settings: Settings) -> None:
    import logging

    import waitress

    # A short queue is how a busy server works; it is no news.
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)
    # The application refuses a large body itself, in words; the server's own limit only stands behind it.
    waitress.serve(
        app,
        host=settings.host,
        port=settings.port,
        threads=settings.threads,
        max_request_body_size=64 * settings.max_body_bytes,
        ident="lots",
    )


@main.group()
def token() -> None:
    """Make, list and revoke the tokens people use the API with."""


@contextmanager
def _database() -> Iterator[None]:
    from lots.app import prepare_database
    from lots.store import database

    prepare_database(load_settings().database)
    database.connect()
    try:
        yield
    finally:
        database.disconnect()


@main.command("import")
@click.argument("kind")
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--dry-run", is_flag=True, help="Say what would be, store nothing.")
@click.option("--by", default="command line", show_default=True, help="Who is recorded.")
@click.option("--delimiter", help='What stands between cells: "," or ";".  [default: ,]')
@click.option("--decimal", help="How fractions are written: point or comma.  [default: point]")
@click.option("--time-zone", help="IANA name, such as Europe/Vienna, for times without an offset.")
@click.option("--illuminant", help="Of colours, where the file has no such column; so are the five below.")
@click.option("--observer-deg", help="2 or 10.")
@click.option("--geometry", help="Such as d/8.")
@click.option("--specular", help="included or excluded.")
@click.option("--uv", help="included or excluded.")
@click.option("--backing", help="Such as white.")
def import_(file: Path, by: str, dry_run: bool, **said: str | None) -> None:
    """Import a CSV FILE, or colour exchange text of colours: all of it or nothing, the same file only once.

    KIND is diameter, color, shrinkage, bond, surface, moisture or deliveries. Each fault is one line on standard error.
    """
    from lots import import_command

    with _plainly(), _database():
        import_command.run(file, _name(by), {**said, "dry_run": "true" if dry_run else None})


def _name(text: str) -> str:
    if not text.strip() or len(text) > 120 or not text.isprintable():
        raise BadSettings("NAME must be 1 to 120 printable characters")
    return text.strip()


_ROLES = ("receiving", "quality", "purchasing", "production", "admin")


@token.command("add")
@click.argument("name")
@click.option("--role", type=click.Choice(_ROLES), required=True, help="Which desk it is for; admin may do everything.")
def add_token(name: str, role: str) -> None:
    """Make a token for NAME and print it, once. Only its hash is kept."""
    from lots.desks import access

    with _plainly(), _database():
        click.echo(access.add_token(_name(name), role))


@token.command("list")
def list_tokens() -> None:
    """List names, roles and dates of tokens; never the tokens themselves."""
    from lots.desks import access

    with _plainly(), _database():
        for row in access.list_tokens():
            ended = "" if row["revoked_at"] is None else f"  revoked {row['revoked_at']:%Y-%m-%d}"
            click.echo(f"{row['name']:<24} {row['role']:<11} {row['created_at']:%Y-%m-%d}{ended}")


@token.command("revoke")
@click.argument("name")
def revoke_token(name: str) -> None:
    """End the token of NAME at once."""
    from lots.desks import access

    with _plainly(), _database():
        access.revoke_token(name)
        click.echo(f"lots: the token of {name} is revoked.", err=True)
