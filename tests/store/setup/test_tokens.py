"""Stored tokens."""

from lots.services.setup import access
from tests.store.rows import connected, contents


def test_the_text_of_a_token_is_stored_nowhere(shop):
    """The database has only the hash of a token, also after its use or a repeat under a key."""
    for role, path, body in (
        ("purchasing", "/suppliers", {"code": "QWT", "name": "Supplier"}),
        ("quality", "/shades", {"code": "HW", "name": "Shade"}),
    ):
        shop.post(role, path, body, Idempotency_Key=f"key of {role}".replace(" ", "-"))
    everything = repr(contents())
    assert "quality person" in everything
    for token in shop.tokens.values():
        assert token not in everything


def test_a_revoked_token_stays_in_the_record(shop):
    """A revoked token keeps its row."""
    with connected():
        text = access.add_token("Ilse", "quality")
        assert access.Person("Ilse", "quality") == access.person_of(text)
        access.revoke_token("Ilse")
        assert access.person_of(text) is None
        row = next(row for row in access.list_tokens() if row["name"] == "Ilse")
    assert row["revoked_at"] >= row["created_at"]
    assert text not in repr(row)
