"""A hash chain shows manual changes and their place. SHA-256: FIPS 180-4 (2015)."""

import json
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lots.domain.hash_chain import BEGINNING, Entry, canonical, digest, entry_after, hash_of, verify

FINITE = st.floats(allow_nan=False, allow_infinity=False)
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | FINITE | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
    max_leaves=10,
)
UNHURRIED = settings(deadline=None)
AT = "2026-11-25T12:00:00.000000Z"


def chain_of(contents):
    """A whole chain of entries with these contents."""
    entries, last = [], None
    for content in contents:
        entries.append(entry_after(last, "lot:7", AT, "Ansel", "decision made", content))
        last = (entries[-1].number, entries[-1].hash)
    return entries


def broken(entries, like=None):
    """Numbers of broken entries; `like` is the chain with the stored length and head."""
    kept = like if like is not None else entries
    return [flaw.number for flaw in verify(entries, len(kept), kept[-1].hash if kept else BEGINNING)]


CHAINS = st.lists(st.integers(0, 9), min_size=2, max_size=8).map(chain_of)


def places(entries):
    """A place in a chain."""
    return st.integers(0, len(entries) - 1)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        ({"b": 1, "a": [True, None]}, '{"a":[true,null],"b":1}'),
        ('Ä "x" \u2028', '"\\u00c4 \\"x\\" \\u2028"'),
        (0.1 + 0.2, "0.30000000000000004"),
        ([1, 1.0], "[1,1.0]"),
        ({}, "{}"),
    ],
)
def test_there_is_one_way_to_write_a_value(value, text):
    """Names are sorted, there are no blanks, all is ASCII, and a fraction has the digits that restore it."""
    assert text == canonical(value)


@pytest.mark.parametrize("value", [float("nan"), float("inf"), [float("-inf")]])
def test_what_json_cannot_say_is_refused(value):
    """NaN and infinities have no JSON and are refused."""
    with pytest.raises(ValueError, match="JSON"):
        canonical(value)


def test_a_digest_is_the_published_one():
    """The SHA-256 of the text "abc" in its quotes, and of an empty object, is that of coreutils' sha256sum 9.1."""
    assert "6cc43f858fbb763301637b5af970e2a46b46f461f27e5a0f41e009c59b827b25" == digest("abc")
    assert "44136fa355b3678a1146ad16f7e8649e94fb4fc21fe77e8310c060f61caaff8a" == digest({})


@UNHURRIED
@given(VALUES)
def test_canonical_text_says_the_value(value):
    """Reading and writing the text again gives the same text."""
    assert value == json.loads(canonical(value))
    assert canonical(value) == canonical(json.loads(canonical(value)))


@UNHURRIED
@given(st.dictionaries(st.text(), VALUES, min_size=2))
def test_the_order_of_names_makes_no_difference(value):
    """The same members in another order have the same digest."""
    assert digest(value) == digest(dict(reversed(value.items())))


@UNHURRIED
@given(st.lists(VALUES, max_size=4))
def test_a_chain_as_it_was_written_is_whole(contents):
    """Numbers start at 1, each entry continues the one before, and the chain has no fault."""
    entries = chain_of(contents)
    assert list(range(1, len(contents) + 1)) == [entry.number for entry in entries]
    assert [BEGINNING, *(entry.hash for entry in entries)][:-1] == [entry.previous for entry in entries]
    assert [] == broken(entries)


@UNHURRIED
@given(st.data(), CHAINS, st.sampled_from(["chain", "at", "by", "what", "content", "previous", "hash"]))
def test_an_edited_entry_is_named(data, entries, name):
    """The number of an edited entry is always among the faults."""
    place = data.draw(places(entries))
    edited = [*entries]
    edited[place] = replace(entries[place], **{name: "x" if name != "content" else ["x", entries[place].content]})
    assert place + 1 in broken(edited, entries)
    if name != "hash":
        assert {place + 1} == set(broken(edited, entries))


@UNHURRIED
@given(st.data(), CHAINS)
def test_an_edited_entry_with_a_new_hash_is_found_by_the_next_or_by_the_head(data, entries):
    """Rehashing an edited entry breaks its link to the next entry or the head."""
    place = data.draw(places(entries))
    bare = replace(entries[place], by="Nobody")
    edited = [*entries]
    edited[place] = replace(bare, hash=hash_of(bare))
    assert [min(place + 2, len(entries))] == broken(edited, entries)


@UNHURRIED
@given(st.data(), CHAINS)
def test_an_entry_taken_out_is_named(data, entries):
    """A missing entry is named by the first absent number, also at the end."""
    place = data.draw(places(entries))
    assert [place + 1] == broken(entries[:place] + entries[place + 1 :], entries)


@UNHURRIED
@given(st.data(), CHAINS)
def test_two_entries_that_changed_places_are_named(data, entries):
    """Two exchanged entries are named, because hashes cover the numbers."""
    place = data.draw(st.integers(0, len(entries) - 2))
    first, second = entries[place], entries[place + 1]
    moved = [*entries]
    moved[place : place + 2] = [replace(second, number=first.number), replace(first, number=second.number)]
    assert {place + 1, place + 2} <= set(broken(moved, entries))


@UNHURRIED
@given(CHAINS, st.integers(0, 9))
def test_an_entry_put_in_is_named(entries, content):
    """An inserted entry is named: at the end by the stored length, in between by its number."""
    last = entries[-1]
    more = entry_after((last.number, last.hash), "lot:7", AT, "Nobody", "decision made", content)
    assert [more.number] == broken([*entries, more], entries)
    between = entry_after((1, entries[0].hash), "lot:7", AT, "Nobody", "decision made", content)
    assert 2 in broken([entries[0], between, *entries[1:]], entries)
    before = replace(between, number=0)
    assert 0 in broken([before, *entries], entries)


def test_a_chain_without_its_length_and_head_is_not_whole():
    """A chain without its stored length and head has faults."""
    entries = chain_of(["a", "b"])
    assert [2] == [flaw.number for flaw in verify(entries, None, None)]
    assert ["entries 1 to 2 were deleted"] == [flaw.says for flaw in verify([], 2, entries[-1].hash)]


def test_a_chain_written_anew_is_whole():
    """A completely rewritten chain, head included, has no fault; only a head kept elsewhere shows it."""
    before, after = chain_of(["a", "b"]), chain_of(["a", "c"])
    assert [] == broken(after)
    assert before[-1].hash != after[-1].hash


def test_an_entry_is_hashed_with_all_it_says():
    """Entries that differ in anything except their own hash have different hashes."""
    entry = Entry("lot:7", 1, AT, "Ansel", "decision made", {}, BEGINNING, "")
    other = {"chain": "lot:8", "number": 2, "at": AT[::-1], "by": "B", "what": "w", "content": [], "previous": "1"}
    hashes = {hash_of(entry), *(hash_of(replace(entry, **{name: value})) for name, value in other.items())}
    assert 1 + len(other) == len(hashes)
