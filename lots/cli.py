"""The `lots` command. Results go to standard output, messages to standard error; 0 done, 1 the answer is no, 2 wrong usage."""

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
    """Filament lots: measured against what was approved, blocked when out, traced when loaded.

    Settings come from LOTS_DATABASE, LOTS_HOST, LOTS_PORT, or a TOML file named by LOTS_SETTINGS.
    """


@main.command()
@click.option("--no-serve", is_flag=True, help="Stop after the story.")
@click.option("--port", type=click.IntRange(1, 65535), help="Port to serve on.  [default: 8080]")
def demo(no_serve: bool, port: int | None) -> None:
    """Build an invented shop in .demo/, tell the story of one delivery, then serve it on this machine."""
    from lots import demo as shop
    from lots import server
    from lots.api.http import logs

    with plainly():
        settings = load_settings({}, port=port)
        if not no_serve:
            server.check_free("127.0.0.1", settings.port)
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
        server.serve(app, Settings(database=f"sqlite:///{loaded['path']}", port=settings.port))


@main.command()
@click.option("--host", help="Address to serve on; over LOTS_HOST.")
@click.option("--port", type=click.IntRange(1, 65535), help="Port to serve on; over LOTS_PORT.")
@click.option("--new", is_flag=True, help="Make an empty SQLite database where one is missing.")
def serve(host: str | None, port: int | None, new: bool) -> None:
    """Serve the API on the database that LOTS_DATABASE names; an empty one gets its tables.

    An SQLite file is made where there never was one. Where one is missing, only --new makes an empty one.
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
            f"lots: serving http://{settings.host}:{settings.port}/v1, docs at /docs. Stop with Ctrl+C.", err=True
        )
        database.connect()
        try:
            for line in first_day.offer(app, settings.host, settings.port):
                click.echo(line, err=True)
        finally:
            database.disconnect()
        server.serve(app, settings)


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


# How a file is written, and how its colours were measured.
_FILE_OPTIONS = (
    click.option("--delimiter", help='What stands between cells: "," or ";".  [default: ,]'),
    click.option("--decimal", help="How fractions are written: point or comma.  [default: point]"),
    click.option("--time-zone", help="IANA name, such as Europe/Vienna, for times without an offset."),
    click.option("--illuminant", help="Of colours, where the file has no such column; so are those below."),
    click.option("--observer-deg", help="2 or 10."),
    click.option("--geometry", help="Such as d/8."),
    click.option("--specular", help="included or excluded."),
    click.option("--uv", help="included or excluded."),
    click.option("--backing", help="Such as white."),
    click.option("--age-h", help="Hours after printing."),
    click.option("--face", help="top, bed or side of the plaque."),
    click.option("--thickness-mm", help="Of the plaque."),
    click.option("--texture", help="Such as smooth."),
    click.option("--aperture-mm", help="Of the place that was read."),
    click.option("--orientation-deg", help="Of the instrument against the printed lines."),
)


def _file_options(command: Callable[..., None]) -> Callable[..., None]:
    """Gives a command the options of files."""
    for option in reversed(_FILE_OPTIONS):
        command = option(command)
    return command


@main.command("import", cls=_Import)
@click.argument("kind")
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--dry-run", is_flag=True, help="Say what would be, store nothing.")
@click.option("--by", default="command line", show_default=True, help="Who is recorded.")
@_file_options
def import_(file: Path, by: str, dry_run: bool, **said: str | None) -> None:
    """Import a CSV FILE, or colour exchange text of colours: all of it or nothing, the same file only once."""
    from lots.commands import file_import

    with plainly(), opened():
        file_import.run(file, named(by), {**said, "dry_run": "true" if dry_run else None})


@main.command()
@click.argument("folder", type=click.Path(exists=True, file_okay=False, path_type=Path))
@click.option("--as", "by", required=True, metavar="NAME", help="Who is recorded.")
@click.option(
    "--once", is_flag=True, help="Look through the folder once, as for cron. Status 1 when a file failed or waits."
)
@click.option(
    "--every", type=click.FloatRange(0.05, 3600), default=2.0, show_default=True, help="Seconds between looks."
)
@_file_options
def watch(folder: Path, by: str, once: bool, every: float, **said: str | None) -> None:
    """Import every file that is put into FOLDER, once it is complete, until stopped.

    The kind of a file is the name of its subfolder, as in FOLDER/diameter/a.csv, or the beginning of its own name, as in
    FOLDER/diameter-a.csv. Kinds are those of `lots import`. An imported file moves to FOLDER/done with a summary beside it. A file with a fault
    moves to FOLDER/failed with its faults beside it. The same content is stored once. While the database does not answer, files stay.
    """
    from lots.commands import watch as watching

    with plainly():
        watching.run(folder, named(by), said, every_s=every, once=once)


@main.command()
def migrate() -> None:
    """Bring the database that LOTS_DATABASE names to the schema of this program. Stop whatever serves it first.

    Each step is one transaction: it is taken, or nothing of it is. An SQLite file is copied first, beside it.
    """
    from lots.commands import upkeep

    with plainly():
        upkeep.migrate(load_settings().database)


@main.command()
def tidy() -> None:
    """Remove answers kept for repeated requests, and sessions of the pages, that are older than LOTS_REPEAT_DAYS, and nothing else.

    A running server does so by itself. Others may go on working. An SQLite file does not shrink: its free pages are used again.
    """
    from lots.commands import upkeep

    with plainly(), opened():
        upkeep.tidy(load_settings().repeat_days)


@main.command()
@click.argument("path", type=click.Path(path_type=Path))
def backup(path: Path) -> None:
    """Keep everything in the new file PATH, an SQLite database of either engine's rows, and verify it. Others may go on working."""
    from lots.commands import upkeep

    with plainly():
        upkeep.backup(load_settings().database, path)


@main.command()
@click.argument("path", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--replace", is_flag=True, help="Set an SQLite file that holds something aside, beside it.")
def restore(path: Path, replace: bool) -> None:
    """Fill the database that LOTS_DATABASE names from the backup PATH, and verify it. Stop whatever serves it first."""
    from lots.commands import upkeep

    with plainly():
        upkeep.restore(load_settings().database, path, replace=replace)


@main.command()
@click.option("--from", "source", required=True, metavar="URL", help="Where the rows are, as LOTS_DATABASE names it.")
@click.option(
    "--to", "target", required=True, metavar="URL", help="An empty database, or where the same move was begun."
)
def move(source: str, target: str) -> None:
    """Carry everything from one database to another, such as from SQLite to PostgreSQL, and compare both sides.

    Stop whatever serves the first. Broken off, the same command goes on where it was.
    """
    from lots.commands import upkeep

    with plainly():
        upkeep.move(source, target)


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
    from lots.commands import check as integrity

    with plainly(), opened():
        integrity.run(heads=heads, noted=noted, rebuild=rebuild)


main.add_command(tokens)
