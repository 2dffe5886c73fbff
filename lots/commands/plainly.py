"""What the commands share: troubles in one line, an open database, and names as people type them."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager

import click

from lots.settings import BadAddress, BadSettings, load_settings


@contextmanager
def plainly() -> Iterator[None]:
    """Turns the troubles a person can do something about into one line and an exit status."""
    from lots.services.errors import LotsError
    from lots.store.engine import troubles
    from lots.store.upkeep.database_handles import NotDone
    from lots.store.upkeep.schema import WrongSchema

    try:
        yield
    except BadAddress as error:
        stop(str(error), 1)
    except BadSettings as error:
        stop(str(error), 2)
    except LotsError as error:
        stop(error.detail, 1)
    except (WrongSchema, NotDone, ImportError, OSError) as error:
        stop(str(error), 1)
    except Exception as error:
        # What an engine said, else a fault of this program, which its traceback helps to find.
        if (meant := troubles.of_engine(error)) is None:
            raise
        stop(str(meant), 1)


def stop(message: str, status: int) -> None:
    """Ends the command with a line on standard error."""
    click.echo(f"lots: {' '.join(message.splitlines())}", err=True)
    sys.exit(status)


@contextmanager
def opened(*, make: bool = False) -> Iterator[None]:
    """Within it the database that the settings name is open; with `make` it is made where there never was one."""
    from lots.app import prepare_database
    from lots.store.engine import database

    prepare_database(load_settings().database, make=make)
    database.connect()
    try:
        yield
    finally:
        database.disconnect()


def named(text: str) -> str:
    """Returns a name as it is recorded.

    Raises:
        BadSettings: it is empty, too long, or has characters that cannot be seen.
    """
    if not text.strip() or len(text) > 120 or not text.isprintable():
        raise BadSettings("NAME must be 1 to 120 printable characters")
    return text.strip()
