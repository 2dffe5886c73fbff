"""The `lots` command. Results go to standard output, messages to standard error; 0 done, 1 the answer is no, 2 wrong usage."""

from __future__ import annotations

import socket
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from lots import __version__
from lots.settings import BadSettings, Settings, load_settings


@contextmanager
def _plainly() -> Iterator[None]:
    """Turns the troubles a person can do something about into one line and an exit status."""
    from lots.services.errors import LotsError
    from lots.store.engine.database import Unavailable
    from lots.store.upkeep.database_handles import NotDone
    from lots.store.upkeep.schema import WrongSchema

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
    except (WrongSchema, NotDone, ImportError, OSError) as error:
        _stop(str(error), 1)


def _stop(message: str, status: int) -> None:
    click.echo(f"lots: {message}", err=True)
    sys.exit(status)


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__)
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
    from lots.api.http import logs

    with _plainly():
        settings = load_settings({}, port=port)
        if not no_serve:
            _check_free("127.0.0.1", settings.port)
        app, tokens, loaded = shop.build()
        logs.set_up("plain", "error")  # the story speaks for itself
        shop.tell(app, tokens, loaded, click.echo)
        click.echo("")
        click.echo("A token for each desk; paste these lines into the shell you try it from:")
        for role, token in tokens.items():
            click.echo(f"export {role.upper()}={token}")
        here = f"http://127.0.0.1:{settings.port}"
        click.echo(f"export API={here}/v1")
        if no_serve:
            click.echo(
                f"\nThe shop is in {loaded['path']}. `lots demo` without --no-serve builds it anew and serves it: people then sign in at {here}/."
            )
            return
        click.echo(
            f"\nPeople sign in at {here}/ with the token of their desk. The API is at {here}/v1, described at {here}/docs. Stop with Ctrl+C."
        )
        sys.stdout.flush()
        logs.set_up("plain", "info")
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
    import signal

    import waitress

    from lots.store.engine import database

    # A short queue is how a busy server works; it is no news.
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)
    # A service is stopped with SIGTERM. As with Ctrl+C, requests in hand are finished, then it ends.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    app.extensions["background"].ensure_running()
    waitress.serve(app, host=settings.host, port=settings.port, **server_options(settings))
    app.extensions["background"].stop()
    try:
        database.connect()
        app.extensions["token_uses"].write()
    finally:
        database.disconnect()


def server_options(settings: Settings) -> dict[str, Any]:
    """Returns how waitress serves the application, its address apart.

    Notes:
        The application refuses a large body itself, in words, once it has arrived; four times as much the server does not let arrive. A
        connection on which nothing moves for a minute is closed. A client that sends a byte now and then is not: that is for the reverse
        proxy, which ends TLS, to see to. What such a proxy says of the client is left to the application (`lots/api/http/proxy.py`).
        No answer names the server software.
    """
    return {
        "clear_untrusted_proxy_headers": False,
        "threads": settings.threads,
        "max_request_body_size": 4 * settings.max_body_bytes,
        "channel_timeout": 60,
        "cleanup_interval": 20,
        "ident": "",
    }


@main.group()
def token() -> None:
    """Make, list and revoke the tokens people use the API with."""


@contextmanager
def _database() -> Iterator[None]:
    from lots.app import prepare_database
    from lots.store.engine import database

    prepare_database(load_settings().database)
    database.connect()
    try:
        yield
    finally:
        database.disconnect()


class _Import(click.Command):
    """A command whose help names what may be imported. The registry is loaded only when somebody asks for this help."""

    def format_help_text(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Writes the help."""
        from lots.domain.characteristics.registry import DECLARED
        from lots.services.files.imports import DELIVERIES

        super().format_help_text(ctx, formatter)
        with formatter.indentation():
            formatter.write_paragraph()
            formatter.write_text(
                f"KIND is {', '.join(DECLARED)} or {DELIVERIES}. Each error is one line on standard error."
            )


@main.command("import", cls=_Import)
@click.argument("kind")
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--dry-run", is_flag=True, help="Say what would be, store nothing.")
@click.option("--by", default="command line", show_default=True, help="Who is recorded.")
@click.option("--delimiter", help='What stands between cells: "," or ";".  [default: ,]')
@click.option("--decimal", help="How fractions are written: point or comma.  [default: point]")
@click.option("--time-zone", help="IANA name, such as Europe/Vienna, for times without an offset.")
@click.option("--illuminant", help="Of colours, where the file has no such column; so are those below.")
@click.option("--observer-deg", help="2 or 10.")
@click.option("--geometry", help="Such as d/8.")
@click.option("--specular", help="included or excluded.")
@click.option("--uv", help="included or excluded.")
@click.option("--backing", help="Such as white.")
@click.option("--age-h", help="Hours after printing.")
@click.option("--face", help="top, bed or side of the plaque.")
@click.option("--thickness-mm", help="Of the plaque.")
@click.option("--texture", help="Such as smooth.")
@click.option("--aperture-mm", help="Of the place that was read.")
@click.option("--orientation-deg", help="Of the instrument against the printed lines.")
def import_(file: Path, by: str, dry_run: bool, **said: str | None) -> None:
    """Import a CSV FILE, or colour exchange text of colours: all of it or nothing, the same file only once."""
    from lots import import_command

    with _plainly(), _database():
        import_command.run(file, _name(by), {**said, "dry_run": "true" if dry_run else None})


@main.command()
def migrate() -> None:
    """Bring the database that LOTS_DATABASE names to the schema of this program. Stop whatever serves it first.

    Each step is one transaction: it is taken, or nothing of it is. An SQLite file is copied first, beside it.
    """
    from lots import upkeep_command

    with _plainly():
        upkeep_command.migrate(load_settings().database)


@main.command()
def tidy() -> None:
    """Remove answers kept for repeated requests, and sessions of the pages, that are older than LOTS_REPEAT_DAYS, and nothing else.

    A running server does so by itself. Others may go on working. An SQLite file does not shrink: its free pages are used again.
    """
    from lots import upkeep_command

    with _plainly(), _database():
        upkeep_command.tidy(load_settings().repeat_days)


@main.command()
@click.argument("path", type=click.Path(path_type=Path))
def backup(path: Path) -> None:
    """Keep everything in the new file PATH, an SQLite database of either engine's rows, and verify it. Others may go on working."""
    from lots import upkeep_command

    with _plainly():
        upkeep_command.backup(load_settings().database, path)


@main.command()
@click.argument("path", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--replace", is_flag=True, help="Set an SQLite file that holds something aside, beside it.")
def restore(path: Path, replace: bool) -> None:
    """Fill the database that LOTS_DATABASE names from the backup PATH, and verify it. Stop whatever serves it first."""
    from lots import upkeep_command

    with _plainly():
        upkeep_command.restore(load_settings().database, path, replace=replace)


@main.command()
@click.option("--from", "source", required=True, metavar="URL", help="Where the rows are, as LOTS_DATABASE names it.")
@click.option(
    "--to", "target", required=True, metavar="URL", help="An empty database, or where the same move was begun."
)
def move(source: str, target: str) -> None:
    """Carry everything from one database to another, such as from SQLite to PostgreSQL, and compare both sides.

    Stop whatever serves the first. Broken off, the same command goes on where it was.
    """
    from lots import upkeep_command

    with _plainly():
        upkeep_command.move(source, target)


@main.command()
@click.option("--heads", is_flag=True, help="Print the head of every history when all is well, to be kept elsewhere.")
@click.option(
    "--noted",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="Compare with a file of heads printed before.",
)
@click.option("--rebuild", is_flag=True, help="Work out again what on a lot does not follow from its readings.")
def check(heads: bool, noted: Path | None, rebuild: bool) -> None:
    """Look whether the history is whole, the tables hold what it says, masses add up, and each lot stands where its readings put it.

    Each finding is one line that names the lot and the entry. The server may run meanwhile.
    """
    from lots import check_command

    with _plainly(), _database():
        check_command.run(heads=heads, noted=noted, rebuild=rebuild)


def _name(text: str) -> str:
    if not text.strip() or len(text) > 120 or not text.isprintable():
        raise BadSettings("NAME must be 1 to 120 printable characters")
    return text.strip()


_ROLES = ("receiving", "quality", "purchasing", "production", "admin")
_DAYS = click.option(
    "--days", type=click.IntRange(1, 3650), default=365, show_default=True, help="How long it holds, in days."
)


@token.command("add")
@click.argument("name")
@click.option("--role", type=click.Choice(_ROLES), required=True, help="Which desk it is for; admin may do everything.")
@_DAYS
def add_token(name: str, role: str, days: int) -> None:
    """Make a token for NAME and print it, once. Only its hash is kept.

    No token holds for good: a forgotten one would leave a door open.
    """
    from lots.services.setup import access

    with _plainly(), _database():
        click.echo(access.add_token(_name(name), role, days))


@token.command("renew")
@click.argument("name")
@_DAYS
def renew_token(name: str, days: int) -> None:
    """Replace the token of NAME, live or expired, and print the new one, once. The old one ends at once."""
    from lots.services.setup import access

    with _plainly(), _database():
        click.echo(access.renew_token(name, days))


@token.command("list")
def list_tokens() -> None:
    """List names, roles and dates (UTC) of tokens, never the tokens themselves. A running server writes last uses once a minute."""
    from lots.services import clock
    from lots.services.setup import access

    with _plainly(), _database():
        now = clock.now()
        for row in access.list_tokens():
            click.echo(f"{row['name']:<24} {row['role']:<11} {_dates(row, now)}")


def _dates(row: dict[str, Any], now: datetime) -> str:
    ends, used, revoked = row["expires_at"], row["last_used_at"], row["revoked_at"]
    end = "never expires" if ends is None else f"{'expired' if ends <= now else 'expires'} {ends:%Y-%m-%d}"
    use = "not used yet" if used is None else f"last used {used:%Y-%m-%d %H:%M}"
    return f"made {row['created_at']:%Y-%m-%d}  {end}  {use}" + (f"  revoked {revoked:%Y-%m-%d}" if revoked else "")


@token.command("revoke")
@click.argument("name")
def revoke_token(name: str) -> None:
    """End the token of NAME at once."""
    from lots.services.setup import access

    with _plainly(), _database():
        access.revoke_token(name)
        click.echo(f"lots: the token of {name} is revoked.", err=True)
