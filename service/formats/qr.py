"""Texts as QR codes (ISO/IEC 18004), error correction M."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from segno import QRCode


def qr_code(text: str) -> QRCode:
    """The code of a text, to be drawn. The library is imported at the first: few requests need it."""
    import segno

    return segno.make_qr(text, error="m")
