"""Names in charts: no markup, and no longer than a chart has room for."""

from html import escape

LONGEST = 24
"""Characters of a name that an axis shows."""


def plain_label(name: object, longest: int = LONGEST) -> str:
    """Return a name as a chart may show it: cut where it is long, its markup as text.

    Plotly reads tags such as ``<b>`` and ``<br>`` in labels and hover texts.

    Parameters
    ----------
    longest : int
        Most characters that are shown.
    """
    text = " ".join(str(name).split())
    cut = text if len(text) <= longest else f"{text[: longest - 1]}\N{HORIZONTAL ELLIPSIS}"
    return escape(cut, quote=False)
