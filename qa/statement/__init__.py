"""The buyer statement: what the audits of a period say of a claim, as facts, words, paper, data.

`gather` takes the facts from a store, `tell` words them, `pdf` and `as_json` write them down.
"""

from qa.statement.data import as_json
from qa.statement.facts import gather
from qa.statement.result import Paper, Scope, Statement
from qa.statement.words import tell

__all__ = ["Paper", "Scope", "Statement", "as_json", "gather", "tell"]
