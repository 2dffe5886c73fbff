"""The `lots` command. Results go to standard output, messages to standard error. Exit status: 0 success, 1 failure, 2 wrong usage."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import click

from lots import __version__
from lots.commands.plainly import named, opened, plainly
from lots.commands.tokens import tokens
from lots.settings import Settings, load_settings


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__)
def main() -> None:
    """Check filament lots against approved limits, and trace every spool to its jobs.

    Settings come from environment variables such as LOTS_DATABASE, LOTS_HOST and LOTS_PORT. LOTS_SETTINGS may name a TOML file of settings.
    """


@main.command()
@click.option("--no-serve", is_flag=True, help="Exit after the example delivery.")
@click.option("--port", type=click.IntRange(1, 65535), help="Port to serve on.  [default: 8080]")
def demo(no_serve: bool, port: int | None) -> None:
    """Build a demo shop and serve it on this machine.

    The invented shop is rebuilt in .demo/ in the current folder. An example delivery is shown step by step.
    """
    from lots import demo as shop
    from lots import server
    from lots.api.http import logs

    with plainly():
        settings = load_settings({}, port=port)
        if not no_serve:
            server.check_free("127.0.0.1", settings.port)
        app, tokens, loaded = shop.build()
        logs.set_up("plain", "error")  # log lines would interrupt the story
        shop.tell(app, tokens, loaded, click.echo)
        click.echo("")
        click.echo("One token for each role. Paste these lines into the shell in which you try the API:")
        for role, token in tokens.items():
            click.echo(f"export {role.upper()}={token}")
        here = f"http://127.0.0.1:{settings.port}"
        click.echo(f"export API={here}/v1")
        if no_serve:
            click.echo(
                f"\nThe shop is in {loaded['path']}. Run `lots demo` without --no-serve to rebuild it and serve it at {here}/."
            )
            return
        click.echo(
            f"\nSign in at {here}/ with the token of a role. The API is at {here}/v1, its documentation at {here}/docs. Stop with Ctrl+C."
        )
        sys.stdout.flush()
        logs.set_up("plain", "info")
        server.serve(app, Settings(database=f"sqlite:///{loaded['path']}", port=settings.port))


@main.command()
@click.option("--host", help="Address to serve on. Overrides LOTS_HOST.")
@click.option("--port", type=click.IntRange(1, 65535), help="Port to serve on. Overrides LOTS_PORT.")
@click.option("--new", is_flag=True, help="Create an empty SQLite database in place of a missing one.")
def serve(host: str | None, port: int | None, new: bool) -> None:
    """Serve the pages and the API.

    LOTS_DATABASE names the database. The first start creates its SQLite file and its tables. If the file of an existing shop is missing,
    the server does not start. Use --new only to begin with an empty database.
    """
    from lots.serving import garbage

    garbage.pause()
    from lots import server
    from lots.app import create_app, warn_of_unknown_variables
    from lots.pages.setup import first_day
    from lots.store.engine import database

    with plainly():
        settings = load_settings(host=host, port=port)
        server.check_free(settings.host, settings.port)
        app = create_app(settings, new=new)
        warn_of_unknown_variables()
        click.echo(
            f"lots: serving http://{settings.host}:{settings.port}/, API documentation at /docs. Stop with Ctrl+C.",
            err=True,
        )
        database.connect()
        try:
            for line in first_day.offer(app, settings.host, settings.port):
                click.echo(line, err=True)
        finally:
            database.disconnect()
        server.serve(app, settings)


class _Import(click.Command):
    """A command whose help lists the kinds of import. The registry is loaded only to show this help."""

    def format_help_text(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Writes the help with the list of kinds."""
        from lots.domain.characteristics.registry import DECLARED
        from lots.services.files.imports import DELIVERIES

        super().format_help_text(ctx, formatter)
        with formatter.indentation():
            formatter.write_paragraph()
            formatter.write_text(
                f"KIND is {', '.join(DECLARED)} or {DELIVERIES}. Errors are printed one per line on standard error."
            )


# The format of a file, and the measuring conditions of its colours.
_FILE_OPTIONS = (
    click.option("--delimiter", help='Cell delimiter: "," or ";".  [default: ,]'),
    click.option("--decimal", help="Decimal separator: point or comma.  [default: point]"),
    click.option("--time-zone", help="Time zone of times without an offset, such as Europe/Vienna."),
    click.option(
        "--illuminant",
        help="Illuminant, such as D65. This and the options below apply to colours without such a column.",
    ),
    click.option("--observer-deg", help="Standard observer: 2 or 10 degrees."),
    click.option("--geometry", help="Measuring geometry, such as d/8."),
    click.option("--specular", help="Specular component: included or excluded."),
    click.option("--uv", help="Ultraviolet component: included or excluded."),
    click.option("--backing", help="Backing of the plaque, such as white."),
    click.option("--age-h", help="Hours between printing and measurement."),
    click.option("--face", help="Face of the plaque: top, bed or side."),
    click.option("--thickness-mm", help="Thickness of the plaque."),
    click.option("--texture", help="Surface texture, such as smooth."),
    click.option("--aperture-mm", help="Diameter of the measured area."),
    click.option("--orientation-deg", help="Angle between the instrument and the printed lines."),
)


def _file_options(command: Callable[..., None]) -> Callable[..., None]:
    """Adds the options of files to a command."""
    for option in reversed(_FILE_OPTIONS):
        command = option(command)
    return command


@main.command("import", cls=_Import)
@click.argument("kind")
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--dry-run", is_flag=True, help="Show the result without storing anything.")
@click.option(
    "--as",
    "--by",
    "by",
    default="command line",
    show_default=True,
    metavar="NAME",
    help="Name to record in the history.",
)
@_file_options
def import_(file: Path, by: str, dry_run: bool, **said: str | None) -> None:
    """Import a FILE of readings or deliveries.

    FILE is CSV, or colour exchange text for colours. The import is atomic: an error in any row stores nothing. The same file is imported
    only once.
    """
    from lots.commands import file_import

    with plainly(), opened():
        file_import.run(file, named(by), {**said, "dry_run": "true" if dry_run else None})


@main.command()
@click.argument("folder", type=click.Path(exists=True, file_okay=False, path_type=Path))
@click.option("--as", "by", required=True, metavar="NAME", help="Name to record in the history.")
@click.option(
    "--once", is_flag=True, help="Scan the folder once, as for cron. Exit status 1 if a file failed or was left."
)
@click.option(
    "--every", type=click.FloatRange(0.05, 3600), default=2.0, show_default=True, help="Seconds between two scans."
)
@_file_options
def watch(folder: Path, by: str, once: bool, every: float, **said: str | None) -> None:
    """Import every file that is put into FOLDER.

    The kind of a file is the name of its subfolder, as in FOLDER/diameter/a.csv, or the beginning of its own name, as in
    FOLDER/diameter-a.csv. The kinds are those of `lots import`. An imported file moves to FOLDER/done, with a summary. A file with errors
    moves to FOLDER/failed, with a list of the errors. The same content is stored once. While the database is unavailable, files stay.
    """
    from lots.commands import watch as watching

    with plainly():
        watching.run(folder, named(by), said, every_s=every, once=once)


@main.command()
def migrate() -> None:
    """Upgrade the database to the schema of this version.

    Stop the server first. Each step is one transaction. An SQLite file is first copied to a new file in its folder.
    """
    from lots.commands import upkeep

    with plainly():
        upkeep.migrate(load_settings().database)


@main.command()
def tidy() -> None:
    """Delete old idempotency answers and ended sessions.

    Rows older than LOTS_REPEAT_DAYS are deleted, as a running server does. The server may keep running. An SQLite file does not shrink,
    but reuses its free pages.
    """
    from lots.commands import upkeep

    with plainly(), opened():
        upkeep.tidy(load_settings().repeat_days)


@main.command()
@click.argument("path", type=click.Path(path_type=Path))
def backup(path: Path) -> None:
    """Back up the database to the new file PATH and verify it.

    The backup is an SQLite file, also for PostgreSQL. The server may keep running.
    """
    from lots.commands import upkeep

    with plainly():
        upkeep.backup(load_settings().database, path)


@main.command()
@click.argument("path", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--replace", is_flag=True, help="Rename an existing SQLite database instead of stopping.")
def restore(path: Path, replace: bool) -> None:
    """Restore the database from the backup PATH and verify it.

    LOTS_DATABASE names the database to fill. Stop the server first.
    """
    from lots.commands import upkeep

    with plainly():
        upkeep.restore(load_settings().database, path, replace=replace)


@main.command()
@click.option("--from", "source", required=True, metavar="URL", help="Source database, written as in LOTS_DATABASE.")
@click.option(
    "--to", "target", required=True, metavar="URL", help="Empty target database, or the target of an interrupted move."
)
def move(source: str, target: str) -> None:
    """Copy all data to another database and compare them.

    Use it to change from SQLite to PostgreSQL, or back. Stop the server first. Run an interrupted move again to continue it.
    """
    from lots.commands import upkeep

    with plainly():
        upkeep.move(source, target)


@main.command()
@click.option("--heads", is_flag=True, help="Print the last hash of every history. Keep them on another machine.")
@click.option(
    "--noted",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="Compare with a file of earlier --heads.",
)
@click.option("--rebuild", is_flag=True, help="Recalculate values of lots that do not follow from their readings.")
def check(heads: bool, noted: Path | None, rebuild: bool) -> None:
    """Check the history, tables, masses and lot statuses.

    The hash chain of the history must be unbroken, and the tables must agree with it. The status of each lot must follow from its readings.
    Each error is one line that names the lot and the entry. The server may keep running.
    """
    from lots.commands import check as integrity

    with plainly(), opened():
        integrity.run(heads=heads, noted=noted, rebuild=rebuild)


main.add_command(tokens)
