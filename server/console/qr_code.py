"""A text as a QR code, for whoever would have to type it."""

from __future__ import annotations

import segno
from django.utils.safestring import SafeString, mark_safe

# Of a code's own squares, as the standard wants around it (ISO/IEC 18004).
QUIET_ZONE = 4


def qr_svg(text: str) -> SafeString:
    """A QR code as SVG, black on white whatever the colours of the page: not every reader knows the other way round."""
    code = segno.make(text, error="m", micro=False)
    # Numbers alone stand in it: where the squares are.
    return mark_safe(
        code.svg_inline(border=QUIET_ZONE, omitsize=True, svgclass=None, lineclass=None, light="#fff", dark="#000")
    )
