"""A wish for a plan, asked as people ask it; the plan that answers it; and what to pull for it."""

from qa.planning.answering import Answer, Curves, Work, answer, curves, span
from qa.planning.ask import WAYS, Ask, Conditions, read
from qa.planning.pulling import Cell, PullAsk, Pulling, cells, pull, read_pull

__all__ = [
    "WAYS",
    "Answer",
    "Ask",
    "Cell",
    "Conditions",
    "Curves",
    "PullAsk",
    "Pulling",
    "Work",
    "answer",
    "cells",
    "curves",
    "pull",
    "read",
    "read_pull",
    "span",
]
