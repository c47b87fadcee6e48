"""TABLE of the words that head the columns of collectors' sheets, by field, in English, German, French, Spanish, Italian and
Dutch. Words of the trade: no source, common practice. A new word is one entry; each stands once, in small letters and without
signs (`columns.normal`)."""

from __future__ import annotations

from collections.abc import Mapping

HEADING_WORDS: Mapping[str, tuple[str, ...]] = {
    "number": (
        "no", "nr", "own number", "my number", "inventory number", "inventory no", "inventory", "collection number",
        "collection no", "item number", "item no", "coin number", "coin no", "num", "item", "lfd nr", "laufende nummer",
        "nummer", "inventarnummer", "inv nr", "n", "numéro", "numero", "no inventaire", "numéro d inventaire", "núm",
        "número", "número de inventario", "n inventario", "numero d inventario", "volgnummer", "inventarisnummer",
    ),
    "quantity": (
        "qty", "count", "pieces", "how many", "copies", "number of pieces", "anzahl", "stück", "stückzahl", "menge",
        "quantité", "qté", "nombre", "cantidad", "cant", "unidades", "quantità", "qta", "pezzi", "aantal", "stuks",
    ),
    "location": (
        "where kept", "kept in", "where", "storage", "stored in", "place", "album", "box", "tray", "cabinet", "ablage",
        "lagerort", "ort", "aufbewahrung", "aufbewahrungsort", "standort", "kasten", "lade", "emplacement", "rangement", "lieu",
        "boîte", "plateau", "ubicación", "lugar", "caja", "bandeja", "collocazione", "posizione", "scatola", "vassoio",
        "plaats", "bewaarplaats", "doos", "lade nr", "binder", "folder", "page",
    ),
    "note": (
        "notes", "remark", "remarks", "comment", "comments", "own notes", "bemerkung", "bemerkungen", "notiz", "notizen",
        "anmerkung", "anmerkungen", "kommentar", "remarque", "remarques", "commentaire", "commentaires", "observations",
        "nota", "notas", "observaciones", "comentario", "comentarios", "note personali", "osservazioni", "commenti",
        "opmerking", "opmerkingen", "notitie", "notities",
    ),
    "tags": ("keywords", "tag", "stichwörter", "schlagwörter", "mots clés", "etiquetas", "parole chiave", "trefwoorden"),
    "issue": ("issue id", "catalogue entry", "catalogue issue"),
    "price_paid": (
        "paid", "cost", "price", "purchase price", "bought for", "what i paid", "bezahlt", "preis", "kaufpreis",
        "einkaufspreis", "gezahlt", "ek", "prix", "prix payé", "prix d achat", "payé", "precio", "pagado",
        "precio pagado", "precio de compra", "coste", "prezzo", "pagato", "prezzo pagato", "prezzo d acquisto", "prijs",
        "betaald", "aankoopprijs",
    ),
    "bought_from": (
        "where bought", "bought at", "purchased from", "purchased at", "seller", "dealer", "vendor",
        "acquired from", "source", "from", "gekauft bei", "gekauft von", "händler", "verkäufer", "herkunft", "quelle",
        "bezugsquelle", "acheté à", "acheté chez", "vendeur", "marchand", "provenance", "comprado en", "comprado a",
        "vendedor", "procedencia", "acquistato da", "comprato da", "venditore", "provenienza", "gekocht bij",
        "gekocht van", "verkoper", "herkomst",
    ),
    "bought_on": (
        "when bought", "bought", "purchased", "purchased on", "purchase date", "date bought", "date of purchase",
        "date purchased", "acquired",
        "acquired on", "date acquired", "gekauft am", "kaufdatum", "erworben am", "erworben", "gekauft", "acheté le",
        "date d achat", "date achat", "comprado el", "fecha de compra", "fecha compra", "acquistato il",
        "data di acquisto", "data d acquisto", "data acquisto", "gekocht op", "aankoopdatum",
    ),
    "for_trade": (
        "for trade", "trade", "to trade", "for swap", "swap", "swaps", "available", "tausch", "zum tausch",
        "zu tauschen", "tauschbar", "doppelt", "à échanger", "échange", "pour échange", "para cambio", "cambio",
        "intercambio", "da scambiare", "scambio", "per scambio", "ruil", "te ruil", "ruilen", "dubbel",
    ),
    "type": ("type", "typ", "tipo", "kind", "art", "soort"),
    "year_on_coin": (
        "year", "years", "date", "dated", "coin year", "year of issue", "date on coin", "jahr", "jahrgang", "prägejahr",
        "datum", "jahreszahl", "année", "an", "millésime", "año", "fecha", "anno", "data", "millesimo", "jaar", "jaartal",
    ),
    "date_as_written": ("date as it stands", "date in words"),
    "struck": ("year of striking", "struck in", "geprägt", "frappé en", "acuñado en", "coniato nel", "geslagen in"),
    "grade": (
        "erhaltung", "erh", "erhaltungsgrad", "zustand", "état", "conservation", "qualité", "estado", "conservación",
        "estado de conservación", "conservazione", "stato", "stato di conservazione", "kwaliteit", "conditie", "staat",
    ),
    "grade_words": ("condition", "state of preservation", "preservation", "grade words", "cond"),
    "denomination": (
        "denom", "nominal", "value and unit", "value", "face value and unit", "nennwert", "wert", "nominale", "münze",
        "dénomination", "valeur", "valeur faciale", "faciale", "denominación", "valor", "valor facial", "facial",
        "denominazione", "valore", "valore nominale", "denominatie", "waarde", "nominale waarde",
    ),
    "face_value": ("face", "nominal value"),
    "currency": ("währung", "devise", "monnaie", "moneda", "divisa", "valuta", "munteenheid"),
    "issuer": (
        "country", "state", "issuing country", "country of issue", "issuing state", "nation", "land", "staat land",
        "ausgabeland", "herkunftsland", "pays", "état émetteur", "pays émetteur", "país", "estado emisor",
        "país emisor", "paese", "nazione", "stato emittente", "land van uitgifte",
    ),
    "authority": (
        "ruler", "king", "queen", "monarch", "emperor", "sovereign", "reign", "herrscher", "regent", "kaiser", "könig",
        "souverain", "règne", "roi", "gobernante", "rey", "reinado", "monarca", "sovrano", "re", "regno", "vorst",
        "heerser", "koning",
    ),
    "material": (
        "metal", "alloy", "composition metal", "metall", "legierung", "werkstoff", "métal", "matière", "alliage",
        "aleación", "metallo", "materiale", "lega", "metaal", "materiaal", "legering",
    ),
    "fineness": (
        "purity", "fine", "feingehalt", "feinheit", "reinheit", "titre", "pureté", "ley", "pureza", "titolo", "purezza",
        "gehalte", "zuiverheid",
    ),
    "weight_measured": (
        "weight", "mass", "wt", "gewicht", "gew", "masse", "poids", "peso", "massa",
    ),
    "diameter": (
        "diam", "ø", "durchmesser", "dm", "diamètre", "diámetro", "diametro",
    ),
    "thickness": ("dicke", "épaisseur", "espesor", "grosor", "spessore", "dikte"),
    "mint": (
        "mint place", "struck at", "mint town", "mint city", "münzstätte", "prägeanstalt", "prägestätte", "prägeort",
        "atelier", "atelier monétaire", "ceca", "casa de moneda", "zecca", "muntplaats", "munthuis",
    ),
    "mintmark": (
        "mint mark", "mm", "mint m", "mzz", "mz", "münzzeichen", "prägezeichen", "münzbuchstabe", "marque d atelier",
        "lettre d atelier", "marca de ceca", "segno di zecca", "muntteken", "muntmeesterteken",
    ),
    "mintage": (
        "number struck", "number minted", "pieces struck", "auflage", "prägezahl", "tirage", "tirada", "acuñación",
        "tiratura", "oplage",
    ),
    "edge": ("rand", "tranche", "canto", "contorno", "taglio"),
    "edge_legend": (
        "edge lettering", "edge inscription", "randschrift", "inscription de tranche", "leyenda del canto", "randschrift nl",
    ),
    "obverse_legend": ("obverse inscription", "obverse lettering"),
    "reverse_legend": ("reverse inscription", "reverse lettering"),
    "obverse_design": (
        "obverse", "obv", "front", "vorderseite", "vs", "avers", "anverso", "dritto", "diritto", "voorzijde",
    ),
    "reverse_design": (
        "reverse", "rev", "back", "rückseite", "rs", "revers", "reverso", "rovescio", "keerzijde",
    ),
    "main_motifs": (
        "motif", "motive", "subject", "animal", "pictured", "depicts", "image", "motiv", "bild", "darstellung", "tier",
        "sujet", "image motif", "motivo", "imagen", "tema", "soggetto", "immagine", "onderwerp", "afbeelding", "dier",
    ),
    "die_axis": ("axis", "stempelstellung", "axe", "eje", "asse", "stempelstand"),
    "catalogue_numbers": (
        "catalogue number", "catalogue no", "catalogue", "catalog number", "catalog no", "reference", "references", "ref",
        "katalognummer", "katalog nr", "katalog", "référence", "catálogo", "referencia", "catalogo", "riferimento",
        "catalogusnummer",
    ),
    "designers": ("designer", "engraver", "engravers", "graveur", "medailleur", "grabador", "incisore", "ontwerper"),
    "variety": ("variant", "var", "variante", "variété", "variedad", "varietà", "variëteit"),
    "problems": (
        "defects", "damage", "faults", "problem", "mängel", "fehler", "schäden", "défauts", "defectos", "daños",
        "difetti", "gebreken", "schade",
    ),
    "strike": ("strike type", "prägeart", "frappe", "tipo de acuñación", "coniazione", "slagtype"),
    "object_kind": ("kind of object", "objekt", "objet", "objeto", "oggetto"),
    "shape": ("form", "forme", "forma", "vorm"),
    "series": ("serie", "série"),
    "occasion": ("anlass", "événement", "ocasión", "occasione", "gelegenheid"),
}  # fmt: skip

# What a column in free words may say: its terms are looked for, and its text is kept.
FREE_TEXT = frozenset(
    ("description", "beschreibung", "descripción", "descrizione", "omschrijving", "design", "details", "détails")
)
# What the first cell of a row of sums says.
TOTALS = frozenset(
    (
        "total", "totals", "grand total", "subtotal", "sub total", "sum", "summe", "gesamt", "gesamtsumme", "zwischensumme",
        "insgesamt", "total général", "sous total", "somme", "suma", "suma total", "totale", "somma", "totaal", "subtotaal",
        "som", "average", "durchschnitt", "moyenne", "media", "gemiddelde", "count", "anzahl",
    )
)  # fmt: skip
