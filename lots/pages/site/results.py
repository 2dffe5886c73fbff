"""The result of an act, shown once on the page that follows: title, lots with another status, spools to take off."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from flask import request

from lots.pages.site.frame import pages
from lots.pages.site.session import pack, unpack

_ABOUT = "result"
# Limits that keep the address short: lots, spools and characters shown.
_MOST, _LONGEST = 8, 400


def pack_result(
    title: str,
    *says: str,
    lots: Sequence[Mapping[str, Any]] = (),
    reached: Iterable[Mapping[str, Any]] = (),
    bad: bool = False,
) -> str:
    """Returns a result as text for the address of the page that shows it (`result` in its query).

    Args:
        title: the result in a few words.
        says: sentences below it.
        lots: lots with another status, each with `supplier_lot`, `standing` and, where known, `standing_before`.
        reached: places that a lot has reached. Those still loaded are shown.
        bad: True for a result to act on.
    """
    loaded = [one for one in reached if one["still_loaded"] and one["certainty"] == "certain"]
    return pack(
        _ABOUT,
        {
            "title": title,
            "bad": bad,
            "says": [text[:_LONGEST] for text in says if text],
            "lots": [_line(one) for one in lots[:_MOST]],
            "more_lots": max(0, len(lots) - _MOST),
            "off": [[one["suspect_spool_code"], one["machine"], one["job"]] for one in loaded[:_MOST]],
            "more_off": max(0, len(loaded) - _MOST),
        },
    )


def _line(lot: Mapping[str, Any]) -> list[Any]:
    return [lot["id"], lot["supplier_lot"], lot.get("standing_before", ""), lot["standing"]]


def reached_of(*answers: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """Returns the places in the exposure of lots, where they have one."""
    return [place for answer in answers for place in (answer.get("exposure") or {}).get("items", ())]


def _result() -> Any:
    """Returns the result in the address of this page; None without one or for a forged one."""
    sent = request.args.get("result", "")
    return unpack(_ABOUT, sent) if sent else None


@pages.app_context_processor
def _shown() -> dict[str, Any]:
    return {"act_result": _result}
