"""Authorisation: the table `who` of a resource names the permitted roles for each method."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Any

from flask import g

from lots.api.http.authentication import auth
from lots.domain.characteristics.declaring.declaration import BENCH as BENCH
from lots.services.setup.roles import ADMIN, MONITORING, ROLES

# All roles except monitoring, for shared data.
ALL = tuple(role for role in ROLES if role != MONITORING)
# Roles that load spools, and roles for machines, jobs and containments.
FLOOR = ("production",)
FLOOR_AND_QUALITY = ("production", "quality")
# Roles that deal with suppliers about lots.
SUPPLY = ("quality", "purchasing")


def admitted(roles: tuple[str, ...], answer: Callable[..., Any]) -> Callable[..., Any]:
    """Returns `answer` restricted to these roles and admin. Others get 401, 403 or 429."""
    # Stored for the text of a refusal, since the library does not keep them.
    g.allowed, g.comer, g.expired, g.wait_s = roles, None, None, 0
    return functools.partial(_gate(roles), answer)


@functools.cache  # one for each set of roles that some path has
def _gate(roles: tuple[str, ...]) -> Callable[..., Any]:
    return auth.login_required(role=[*roles, ADMIN])(lambda answer, **kwargs: answer(**kwargs))  # type: ignore[no-any-return]  # the same
