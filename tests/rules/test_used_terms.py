"""Which texts a definition uses as values of an attribute."""

from __future__ import annotations

from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from service.rules.used_terms import UsedTerm, used_by_attribute, used_terms

DOCUMENT: dict[str, Any] = {
    "scope": "issuer = 'GB'",
    "prefer": [{"where": "toning = 'rainbow'"}],
    "presume": [{"where": "denomination = 'shilling' AND issuer = 'US'", "facts": {"strike": "proof"}}],
    "slots": [
        {"id": "a", "accepts": "CASEI(mint) = CASEI('Heaton') OR mint IN ('London', 'Royal Mint') OR mint LIKE 'x%'"},
        {"id": "b", "accepts": {"op": "a_contains", "args": [{"property": "problems"}, ["holed", "bent"]]}},
        {"id": "c", "accepts": "not a rule ("},
    ],
    "one_per": [
        {"id": "d", "attribute": "mint", "keys": {"from": "list", "values": ["Perth", {"none": True}]}},
        {
            "id": "e",
            "attribute": "main_motifs",
            "accepts": "narrower(main_motifs, 'bird')",
            "keys": {"from": "holdings"},
        },
    ],
    "constraints": [{"id": "f", "kind": "at_most", "where": "edge = 'plain' AND legend_issuer = mint", "count": 1}],
}


def test_every_text_is_found_with_its_attribute_its_place_and_the_issuer_beside_it() -> None:
    assert set(used_terms(DOCUMENT)) == {
        UsedTerm("issuer", "GB", "/scope"),
        UsedTerm("toning", "rainbow", "/prefer/0/where", "GB"),
        UsedTerm("denomination", "shilling", "/presume/0/where", "US"),
        UsedTerm("issuer", "US", "/presume/0/where"),
        *(UsedTerm("mint", text, "/slots/0/accepts", "GB") for text in ("Heaton", "London", "Royal Mint")),
        *(UsedTerm("problems", text, "/slots/1/accepts", "GB") for text in ("holed", "bent")),
        UsedTerm("mint", "Perth", "/one_per/0/keys/values/0", "GB"),
        UsedTerm("main_motifs", "bird", "/one_per/1/accepts", "GB"),
        UsedTerm("edge", "plain", "/constraints/0/where", "GB"),
    }
    assert used_by_attribute([DOCUMENT, {"scope": "mint = 'Perth'"}])["mint"] == (
        "Heaton",
        "London",
        "Royal Mint",
        "Perth",
    )


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(("scope", "slots", "keys", "values", "attribute", "op", "args", "accepts")), inner
        )
    ),
    max_leaves=12,
)


@given(JSON)
def test_what_is_no_definition_has_none_or_some_and_never_an_error(document: Any) -> None:
    assert all(isinstance(used.text, str) for used in used_terms(document))
