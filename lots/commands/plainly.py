"""Helpers of all commands: one-line error messages, the open database, and checks of names."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager

import click

from lots.settings import BadAddress, BadSettings, load_settings


@contextmanager
def plainly() -> Iterator[None]:
    """Prints an error that the user can correct as one line, and exits with its status."""
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
        # A known error of the database is printed. Any other exception is a bug and keeps its traceback.
        if (meant := troubles.of_engine(error)) is None:
            raise
        stop(str(meant), 1)


def stop(message: str, status: int) -> None:
    """Exits with a line on standard error."""
    click.echo(f"lots: {' '.join(message.splitlines())}", err=True)
    sys.exit(status)


@contextmanager
def opened(*, make: bool = False) -> Iterator[None]:
    """Opens the database of the settings for a block. With `make`, a missing new database is created."""
    from lots.app import prepare_database
    from lots.store.engine import database

    prepare_database(load_settings().database, make=make)
    database.connect()
    try:
        yield
    finally:
        database.disconnect()


def named(text: str) -> str:
    """Returns a name without outer blanks.

    Raises:
        BadSettings: the name is empty, longer than 120 characters, or not printable.
    """
    if not text.strip() or len(text) > 120 or not text.isprintable():
        raise BadSettings("NAME must have 1 to 120 printable characters.")
    return text.strip()
