"""A picture of what a resource answers, where the request asks for image/svg+xml."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from flask import Response, request

from lots.api.http.routes import json_without_schema

JSON, SVG = "application/json", "image/svg+xml"
# For a resource's documentation: @routes.alt_response(200, **AS_PICTURE).
AS_PICTURE = {"schema": {"type": "string"}, "content_type": SVG, "description": "a picture", "success": True}


def pictured(
    answer: dict[str, Any],
    draw: Callable[[dict[str, Any]], str],
    headers: Mapping[str, str] | None = None,
    *,
    schema: bool = True,
) -> Any:
    """Returns what a resource should answer: the figures, or with `Accept: image/svg+xml` their picture; either with these headers.

    Long figures go out as they are, with `schema=False`.
    """
    if request.accept_mimetypes.best_match([JSON, SVG], JSON) == SVG:
        told = Response(draw(answer), mimetype=SVG, headers=headers)
    elif schema:
        return answer, {**(headers or {}), "Vary": "Accept"}
    else:
        told = json_without_schema(answer)
        told.headers.extend(headers or {})
    told.vary.add("Accept")
    return told
