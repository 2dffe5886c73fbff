"""JSON bodies of 4 MB in hostile shapes: processor time of the depth check and the whole reader, compared with json.loads of a plain list."""

from __future__ import annotations

import json
import statistics
import sys
import time
from collections.abc import Callable
from contextlib import suppress

from lots.api.http.strict_json import Malformed, depth, parse

SIZE, ROUNDS = 4_000_000, 5
SHAPES = {
    "escaped quotes, no end": b'"' + b'\\"' * (SIZE // 2),
    "the same, a backslash last": b'"' + b'\\"' * (SIZE // 2) + b"\\",
    "escaped quotes, no beginning": b'\\"' * (SIZE // 2),
    "quotes": b'"' * SIZE,
    "backslashes": b"\\" * SIZE,
    "one long string": b'"' + b"a" * SIZE + b'"',
    "short strings": b'["a"' + b',"a"' * (SIZE // 4) + b"]",
    "strings of backslashes": b'["\\\\"' + b',"\\\\"' * (SIZE // 5) + b"]",
    "opening brackets": b"[" * SIZE,
    "empty lists": b"[[]" + b",[]" * (SIZE // 3) + b"]",
    "quote and bracket in turn": b'"[' * (SIZE // 2),
    "quote and backslash in turn": b'"\\' * (SIZE // 2),
    "blank lines": b"\n" * SIZE,
    "one long number": b"1" * SIZE,
    "two-byte letters": "é".encode() * (SIZE // 2),
}
PLAIN = b"[1.75" + b",1.75" * (SIZE // 5) + b"]"


def run() -> None:
    """Prints medians in seconds, and the whole reader's ratio to json.loads of a plain list."""
    plain = _taken(lambda: json.loads(PLAIN))
    sys.stdout.write(f"{'':32}{'depth, s':>10}{'reader, s':>11}{'x plain':>9}\n")
    for name, body in SHAPES.items():
        alone, whole = _taken(lambda body=body: depth(body)), _taken(lambda body=body: _read(body))
        sys.stdout.write(f"{name:32}{alone:>10.3f}{whole:>11.3f}{whole / plain:>9.1f}\n")
    sys.stdout.write(f"{'a plain list, json.loads alone':32}{'':>10}{plain:>11.3f}{1:>9.1f}\n")


def _read(body: bytes) -> None:
    with suppress(Malformed):
        parse(body)


def _taken(work: Callable[[], object]) -> float:
    each = []
    for _ in range(ROUNDS):
        began = time.process_time()
        work()
        each.append(time.process_time() - began)
    return statistics.median(each)
