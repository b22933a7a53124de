"""A statement as PDF: tagged, archivable, and the same bytes whenever the same is said.

The template is fed data, never markup: what people typed stays text. The fonts come with this
package, and behind them the one inside the typesetter, so no machine's own fonts decide how a
statement looks.
"""

import re
from datetime import datetime
from importlib import resources
from typing import Literal

import typst

from qa._plain import as_json
from qa.errors import InvalidInput
from qa.statement.document import Document

STANDARDS: list[Literal["a-2a", "ua-1"]] = [
    "a-2a",
    "ua-1",
]  # archivable; accessible, as far as the typesetter checks it
TEMPLATE = "statement.typ"
FONTS = str(resources.files("qa.statement") / "fonts")


def pdf(document: Document, at: datetime) -> bytes:
    """A statement as a PDF file.

    Parameters
    ----------
    document : Document
    at : datetime
        When it is said to be made: the end of the period, so that the same statement is the same
        file.

    Returns
    -------
    bytes

    Raises
    ------
    InvalidInput
        If a text holds a character that the font lacks.
    """
    fonts = typst.Fonts(include_system_fonts=False, font_paths=[FONTS])
    compiler = typst.Compiler(_template(), font_paths=fonts)
    try:
        made, warnings = compiler.compile_with_warnings(
            format="pdf",
            sys_inputs={"data": as_json(document)},
            pdf_standards=[*STANDARDS],
            timestamp=at,
        )
    except typst.TypstError as reason:
        raise _told(reason) from None
    if warnings:  # a font that is not there, before all
        raise RuntimeError("; ".join(each.message for each in warnings))
    if not isinstance(made, bytes):
        raise RuntimeError(f"the typesetter gave {type(made).__name__} for a PDF file")
    return made


def _template() -> bytes:
    return resources.files("qa.statement").joinpath(TEMPLATE).read_bytes()


def _told(reason: typst.TypstError) -> Exception:
    """A character without a glyph is for a person to put right; anything else is a bug."""
    missing = re.search(r"the text `(.+?)` could not be displayed", reason.message)
    if missing:
        return InvalidInput(f"the paper can show only what its font has, got {missing[1]}")
    return reason
