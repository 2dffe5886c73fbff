"""Pictures of answers, for requests of image/svg+xml."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from flask import Response, request

from lots.api.http import csv_answers

JSON, SVG = "application/json", "image/svg+xml"
# For a resource's documentation: @routes.alt_response(200, **AS_PICTURE).
AS_PICTURE = {"schema": {"type": "string"}, "content_type": SVG, "description": "Picture (SVG)", "success": True}


def pictured(
    answer: dict[str, Any], draw: Callable[[dict[str, Any]], str], headers: Mapping[str, str] | None = None
) -> Any:
    """Returns the answer of a resource with these headers: the figures, or their picture for `Accept: image/svg+xml`.

    If the request prefers CSV and the resource has rows, the figures become CSV afterwards.
    """
    if request.accept_mimetypes.best_match([JSON, SVG, *csv_answers.offered()], JSON) != SVG:
        return answer, {**(headers or {}), "Vary": "Accept"}
    picture = Response(draw(answer), mimetype=SVG, headers=headers)
    picture.vary.add("Accept")
    return picture
