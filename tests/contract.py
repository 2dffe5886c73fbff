"""Every answer in a test is compared with the OpenAPI document of the application, and its sentences are plain English."""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import lru_cache
from typing import Any, ClassVar

from flask import Flask
from jsonschema import Draft202012Validator
from jsonschema.validators import validator_for
from werkzeug.test import TestResponse

from tests import plain_english


class Contract:
    """The document as a checker of answers."""

    # Every application serves the same document, and making it takes longer than most tests.
    served: ClassVar[dict[str, Any]] = {}

    def __init__(self, app: Flask) -> None:
        if not self.served:
            self.served.update(app.test_client().get("/v1/openapi.json").get_json())
            for name, schema in self.served["components"]["schemas"].items():
                # An answer has the fields that are documented and no others; only a refusal may tell more.
                if name != "Problem":
                    schema.setdefault("additionalProperties", False)
        self.document = self.served
        # A path without a template comes before one that would match it too (OpenAPI 3.1, Paths Object).
        ordered = sorted(self.document["paths"].items(), key=lambda item: item[0].count("{"))
        self.paths = [(_pattern(path), operations) for path, operations in ordered]

    def check(self, method: str, path: str, answer: TestResponse, sent: object = None) -> None:
        """Raises AssertionError for an answer that the document does not allow, and for a sentence that is not plain.

        Args:
            sent: body of the request; an answer may quote its texts.
        """
        status, content_type, body = answer.status_code, answer.mimetype, answer.get_json()
        operations = next((found for pattern, found in self.paths if pattern.fullmatch(path)), None)
        if operations is None or method.lower() not in operations:
            assert status in (404, 405), f"{method} {path} is not documented and answered {status}"
            return
        responses = operations[method.lower()]["responses"]
        assert status >= 400 or str(status) in responses, (
            f"{method} {path} answered {status}, documented: {list(responses)}"
        )
        response = self._resolved(responses.get(str(status), responses["default"]))
        assert content_type in response["content"], f"{method} {path} answered {content_type}"
        self._check_headers(f"{method} {path} {status}", response["headers"], answer)
        faults = self.faults(response["content"][content_type]["schema"], body)
        assert not faults, f"{method} {path} {status}: {faults[0]}"
        quoted = str(sent)
        misworded = [
            fault
            for name, text in _said(body)
            for fault in _faults_of(name, text)
            if fault[1].rstrip(".") not in quoted
        ]
        assert not misworded, f"{method} {path} {status}: {misworded[0]}"

    def faults(self, schema: dict[str, Any], body: object) -> list[str]:
        """Where and how a body violates a schema of the document."""
        whole = {**schema, "components": self.document["components"]}
        validator = validator_for(whole, default=Draft202012Validator)(whole)
        return [f"{error.json_path}: {error.message[:300]}" for error in sorted(validator.iter_errors(body), key=str)]

    def _check_headers(self, said: str, documented: dict[str, Any], answer: TestResponse) -> None:
        """An answer has the documented headers of its operation and the common ones."""
        known = self.document["components"]["headers"]
        sent = {name for name in known if name in answer.headers}
        always = {name for name in documented if known[name].get("required")}
        assert always <= sent <= set(documented), f"{said} sent {sorted(sent)}, documented: {sorted(documented)}"

    def _resolved(self, node: dict[str, Any]) -> dict[str, Any]:
        while "$ref" in node:
            target: Any = self.document
            for part in node["$ref"].removeprefix("#/").split("/"):
                target = target[part]
            node = target
        return node


# Where an answer holds sentences of the program. Hints list fields of the API, and other texts may quote a person.
_SENTENCES = {"says", "detail", "message", "reasons", "cautions", "to_measure", "why"}
# The detail of an error may quote a name of the API that was sent.
_MAY_QUOTE = ("a name of the API",)


def _said(body: object, name: str = "") -> Iterator[tuple[str, str]]:
    """Yields the sentences of an answer, each with the name of its field."""
    if isinstance(body, dict):
        for key, value in body.items():
            yield from _said(value, name if name == "why" else key)
    elif isinstance(body, list):
        for value in body:
            yield from _said(value, name)
    elif isinstance(body, str) and name in _SENTENCES:
        yield name, body


# The reason of a manual decision is quoted as a person typed it.
_REASON = re.compile(r"(?<=by a manual decision\. Reason: )[^.?!]*")


@lru_cache(maxsize=10_000)
def _faults_of(name: str, text: str) -> tuple[tuple[str, str], ...]:
    text = _REASON.sub("", text)
    return tuple(plain_english.faults(text, without=_MAY_QUOTE if name == "detail" else ()))


@lru_cache
def _pattern(path: str) -> re.Pattern[str]:
    return re.compile(re.sub(r"\\\{[^/]+?\\\}", r"[^/]+", re.escape(path)))
