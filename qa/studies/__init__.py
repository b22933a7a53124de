"""What an agreement study says: do our inspectors agree, and what do they miss.

`answer` works it out from a file's calls, `told` says it in words.
"""

from qa.studies.answer import Itself, StudyAnswer, answer
from qa.studies.told import Table, Told, told

__all__ = ["Itself", "StudyAnswer", "Table", "Told", "answer", "told"]
