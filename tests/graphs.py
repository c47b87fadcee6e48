"""RDF as rdflib reads it, which shares no code with the service."""

from __future__ import annotations

import warnings

from rdflib import Graph


def read_graph(content: bytes | str, form: str) -> Graph:
    """The triples of a text in this format of rdflib ("turtle", "json-ld")."""
    with warnings.catch_warnings():
        # rdflib's reader of JSON-LD uses a class that rdflib itself gives up.
        warnings.simplefilter("ignore", DeprecationWarning)
        return Graph().parse(data=content, format=form)
