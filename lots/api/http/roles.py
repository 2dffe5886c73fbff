"""Who may do what: a resource names the roles of each of its methods in `who`, and only people of these roles are admitted."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Any

from flask import g

from lots.api.http.authentication import auth
from lots.domain.characteristics.declaring.declaration import BENCH as BENCH
from lots.services.setup.roles import ADMIN, MONITORING, ROLES

# Everybody may read what everybody needs, but for the program that only watches the server.
ALL = tuple(role for role in ROLES if role != MONITORING)
# Who loads spools, and with quality who looks after machines, jobs and what reached them.
FLOOR = ("production",)
FLOOR_AND_QUALITY = ("production", "quality")
# Who deals with suppliers about their lots.
SUPPLY = ("quality", "purchasing")


def admitted(roles: tuple[str, ...], answer: Callable[..., Any]) -> Callable[..., Any]:
    """Returns `answer`, given only to people of one of these roles, or admin; everybody else gets 401, 403 or 429."""
    # What a refusal says: the library asks no further when there is no token, and forgets whose it was when the role is wrong.
    g.allowed, g.comer, g.expired, g.wait_s = roles, None, None, 0
    return functools.partial(_gate(roles), answer)


@functools.cache  # one for each set of roles that some path has
def _gate(roles: tuple[str, ...]) -> Callable[..., Any]:
    return auth.login_required(role=[*roles, ADMIN])(lambda answer, **kwargs: answer(**kwargs))  # type: ignore[no-any-return]  # the same
