"""A statement as JSON: its figures, and the words that the paper shows."""

from qa._plain import as_json as written
from qa.statement.document import Document
from qa.statement.result import Statement


def as_json(statement: Statement, document: Document) -> str:
    """Figures under "figures", and what people read under "words"."""
    return written({"title": document.title, "figures": statement, "words": document})
