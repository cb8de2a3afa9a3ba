"""A figure as SVG text: the same bytes for the same figure, text kept as text, safe to put into a page.

Text is kept as text, so that it can be searched, read aloud and shown in scripts that the drawing font
does not have. A page that holds several figures gives each its own `ident`: ids inside a figure are then
its own, and its style rule touches nothing outside it.
"""

from __future__ import annotations

import io
import re
import warnings
from html import escape

import matplotlib as mpl
from matplotlib.figure import Figure

_HASH_SALT = "blankbench"
_ID = re.compile(r'\bid="([^"]+)"')
_REFERENCE = re.compile(r'(\bid="|\bhref="#|url\(#)([^")]+)')
_IDENT = re.compile(r"[A-Za-z][A-Za-z0-9_-]*\Z")


def to_svg(figure: Figure, *, title: str, ident: str = "figure") -> str:
    """Write a figure as one ``<svg>`` element.

    Parameters
    ----------
    figure : Figure
        Needs no canvas of its own.
    title : str
        What a screen reader says in place of the drawing: one or two plain sentences with the numbers.
    ident : str
        Prefix of every id inside: a letter, then letters, digits, ``-`` or ``_``.

    Raises
    ------
    ValueError
        If `ident` is not usable as an id.
    """
    if not _IDENT.match(ident):
        raise ValueError(f"not usable as an id: {ident!r}")
    stream = io.StringIO()
    with warnings.catch_warnings(), mpl.rc_context({"svg.hashsalt": _HASH_SALT, "svg.fonttype": "none"}):
        # Measuring text in a script that the drawing font lacks; the reader's own font shows it.
        warnings.filterwarnings("ignore", message=r"Glyph \d+", category=UserWarning)
        figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": None})
    text = stream.getvalue()
    text = text[text.index("<svg") :].rstrip()
    text = re.sub(r"<metadata>.*?</metadata>\s*", "", text, flags=re.DOTALL)
    head, _, body = text.partition(">")
    size = " ".join(re.findall(r'\b(?:width|height|viewBox)="[^"]*"', head))
    # Numbered as they come: some of the drawing library's own ids differ from one call to the next.
    numbers = {name: f"{ident}-{number}" for number, name in enumerate(dict.fromkeys(_ID.findall(body)), 1)}
    body = _REFERENCE.sub(lambda found: found[1] + numbers.get(found[2], found[2]), body)
    body = body.replace('<style type="text/css">*{', f'<style type="text/css">#{ident} *{{')
    opening = (
        f'<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" id="{ident}" '
        f'{size} role="img" aria-labelledby="{ident}-title">'
    )
    return f'{opening}\n<title id="{ident}-title">{escape(title)}</title>{body}\n'
