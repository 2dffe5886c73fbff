"""`lots token`: creates, lists, renews and revokes tokens, and ends sessions of the pages."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import click

from lots.commands.plainly import named, opened, plainly
from lots.services.setup.roles import ROLES


@click.group("token")
def tokens() -> None:
    """Create, list, renew and revoke access tokens."""


_DAYS = click.option(
    "--days", type=click.IntRange(1, 3650), default=365, show_default=True, help="Days until the token expires."
)


@tokens.command("add")
@click.argument("name")
@click.option(
    "--role",
    type=click.Choice(ROLES),
    required=True,
    help="Role of the person or program. The role admin has all permissions.",
)
@_DAYS
def add_token(name: str, role: str, days: int) -> None:
    """Create a token for NAME and print it once.

    Only its hash is stored. Every token expires.
    """
    from lots.services.setup import access

    with plainly(), opened(make=True):
        click.echo(access.add_token(named(name), role, days))


@tokens.command("renew")
@click.argument("name")
@_DAYS
def renew_token(name: str, days: int) -> None:
    """Replace the token of NAME and print the new one once.

    The old token, valid or expired, stops working at once.
    """
    from lots.services.setup import access

    with plainly(), opened():
        click.echo(access.renew_token(name, days))


@tokens.command("list")
def list_tokens() -> None:
    """List the names, roles and dates (UTC) of tokens.

    The tokens themselves are not stored. A running server updates the times of last use once a minute.
    """
    from lots.services import clock
    from lots.services.setup import access

    with plainly(), opened():
        now = clock.now()
        for row in access.list_tokens():
            click.echo(f"{row['name']:<24} {row['role']:<11} {_dates(row, now)}")


def _dates(row: dict[str, Any], now: datetime) -> str:
    ends, used, revoked = row["expires_at"], row["last_used_at"], row["revoked_at"]
    end = "never expires" if ends is None else f"{'expired' if ends <= now else 'expires'} {ends:%Y-%m-%d}"
    use = "never used" if used is None else f"last used {used:%Y-%m-%d %H:%M}"
    return f"created {row['created_at']:%Y-%m-%d}  {end}  {use}" + (f"  revoked {revoked:%Y-%m-%d}" if revoked else "")


@tokens.command("revoke")
@click.argument("name")
def revoke_token(name: str) -> None:
    """Revoke the token of NAME at once."""
    from lots.services.setup import access

    with plainly(), opened():
        access.revoke_token(name)
        click.echo(f"lots: The token of {name} is revoked.", err=True)


@tokens.command("sessions")
@click.option("--end", "name", help="End every session of the person NAME.", metavar="NAME")
@click.option("--end-number", "number", type=click.IntRange(1, 2**63 - 1), help="End the session with this number.")
def token_sessions(name: str | None, number: int | None) -> None:
    """List or end the sessions of people signed in on the pages.

    Times are in UTC. A session ends at once, but the person's token stays valid. Revoke or renew a token that others may know.
    """
    from lots.domain.words import counted
    from lots.services.setup import sessions

    if name is not None and number is not None:
        raise click.UsageError("Give --end or --end-number, not both.")
    with plainly(), opened():
        if name is not None:
            ended = sessions.end_sessions_of(name)
            click.echo(f"lots: {counted(ended, 'session')} of {name} ended.", err=True)
        elif number is not None:
            sessions.end_session_number(number)
            click.echo(f"lots: session {number} ended.", err=True)
        else:
            for row in sessions.list_sessions():
                at = f"from {row['address'] or 'an unknown address'}"
                times = f"started {row['started_at']:%Y-%m-%d %H:%M}  ends {row['ends_at']:%Y-%m-%d %H:%M}"
                click.echo(f"{row['number']:>6}  {row['name']:<24} {row['role']:<11} {times}  {at}")
