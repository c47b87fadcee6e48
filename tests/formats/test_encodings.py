"""Which encoding a text file has, told from few letters as sheets of coins have them."""

from __future__ import annotations

import pytest

from service.formats.encodings import decoded

_GERMAN = "Nr;Land;Jahr;Preis\n1;Österreich;1916;1,50 €\n2;Dänemark;1920;2,00 €\n"
_WORDS = "Nr;Land;Erhaltung\n1;Deutschland;sehr schön, aus München\n2;Südafrika;vorzüglich\n"
_SPANISH = "País;Año;Conservación\nEspaña;1900;buena\nPerú;1890;\n"
_ENGLISH = "No,Country,Price\n1,Germany,€12\n2,Côte d’Ivoire,€5.50\n"
_POLISH = "Kraj;Rok;Nominał\nPolska;1930;złoty\nCzesko;1930;pięć\n"


@pytest.mark.parametrize(
    ("text", "codec", "name"),
    [
        (_GERMAN, "cp1252", "windows-1252"),
        (_GERMAN, "mac_roman", "macintosh"),
        (_WORDS, "mac_roman", "macintosh"),
        (_WORDS, "cp850", "ibm850"),
        (_SPANISH, "mac_roman", "macintosh"),
        (_SPANISH, "cp850", "ibm850"),
        (_ENGLISH, "cp1252", "windows-1252"),
        (_ENGLISH, "mac_roman", "macintosh"),
        (_POLISH, "cp1250", "windows-1250"),
        (_GERMAN, "utf_8_sig", "utf-8"),
        (_GERMAN, "utf_16", "utf-16le"),
    ],
)
def test_an_encoding_is_told_from_where_the_letters_beyond_ascii_stand(text: str, codec: str, name: str) -> None:
    assert decoded(text.encode(codec)) == (text, name)
