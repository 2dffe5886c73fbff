"""Pictures as answers of their own, which pages show as images."""

from __future__ import annotations

import gzip

from flask import Response, request

from lots.api.pictures.answers import SVG


def sent(picture: str) -> Response:
    """Returns a picture as an answer, compressed if the browser accepts that.

    It holds no secret and nothing from the request, so its compressed length reveals nothing (BREACH, CVE-2013-3587).
    """
    response = Response(picture, mimetype=SVG)
    if request.accept_encodings.quality("gzip") > 0:
        response.set_data(gzip.compress(picture.encode(), 6, mtime=0))
        response.content_encoding = "gzip"
    response.vary.add("Accept-Encoding")
    return response
