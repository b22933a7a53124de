"""The errors Toteproof raises on purpose; anything else is a bug and stays loud.

::

    QAError
      InvalidInput (ValueError)       an argument of a statistics function breaks its rule
      InvalidAudit (ValueError)       an audit's fields break their rules, all of them listed
      InvalidAsk (ValueError)         a wish for a plan breaks its rules, all its faults listed
      InvalidProgramme (ValueError)   a programme file breaks its rules, all of them listed
      InvalidFile (ValueError)        a file to import cannot be read, or not as a table of audits
      InvalidStudy (ValueError)       a study's file breaks its rules, all its faults listed
      NoSuchPlan (LookupError)        the table or the lot holds no plan that answers the question
      StoreError                      the store cannot be opened, read or written
        StoreUnavailable              its database does not answer now, or takes nothing now
        StoreTooNew                   it was made by a newer version of the program
        Conflict                      what is to be recorded contradicts what is recorded
"""

from collections.abc import Mapping, Sequence


class QAError(Exception):
    """Anything that a person can put right; its text is one clear sentence or list."""


class InvalidInput(QAError, ValueError):
    """An argument of a statistics function breaks its rule."""


class InvalidAudit(QAError, ValueError):
    """An audit's fields break their rules.

    Parameters
    ----------
    problems : mapping of field name to message
        Every fault at once, in words.
    """

    def __init__(self, problems: Mapping[str, str]) -> None:
        self.problems = dict(problems)
        super().__init__("; ".join(f"{field}: {text}" for field, text in self.problems.items()))


class InvalidAsk(QAError, ValueError):
    """A wish for a plan breaks its rules.

    Parameters
    ----------
    problems : mapping of argument to message
        Every fault at once, in words that go on from the argument's name.
    """

    def __init__(self, problems: Mapping[str, str]) -> None:
        self.problems = dict(problems)
        super().__init__("; ".join(f"{name} {text}" for name, text in self.problems.items()))


class InvalidProgramme(QAError, ValueError):
    """A programme breaks its rules.

    Parameters
    ----------
    problems : sequence of str
        Every fault at once, each with its key, what came and what was expected.
    where : str
        The file, so that the text can say where to look.
    """

    def __init__(self, problems: Sequence[str], where: str = "programme") -> None:
        self.problems = list(problems)
        listed = "\n".join(f"  {problem}" for problem in self.problems)
        count = len(self.problems)
        super().__init__(f"{where} has {count} fault{'s' * (count != 1)}:\n{listed}")


class InvalidFile(QAError, ValueError):
    """A file to import cannot be read, or not as a table of audits."""


class InvalidStudy(QAError, ValueError):
    """An agreement study's file breaks its rules.

    Parameters
    ----------
    faults : sequence of str
        Every fault at once, each with its row and column and what to do.
    where : str
        The file.
    """

    SHOWN = 50

    def __init__(self, faults: Sequence[str], where: str) -> None:
        self.faults = tuple(faults)
        count, beyond = len(self.faults), len(self.faults) - self.SHOWN
        listed = "\n".join(f"  {fault}" for fault in self.faults[: self.SHOWN])
        more = f"\n  and {beyond:,} more" if beyond > 0 else ""
        super().__init__(f"{where} has {count:,} fault{'s' * (count != 1)}:\n{listed}{more}")


class NoSuchPlan(QAError, LookupError):
    """The table or the lot holds no plan that answers the question."""


class StoreError(QAError):
    """The store cannot be opened, read or written."""


class StoreUnavailable(StoreError):
    """The database of a store does not answer, or takes nothing now: no fault of what was sent.

    Nothing was changed; the same may be sent again.
    """


class StoreTooNew(StoreError):
    """The store was made by a newer version of the program."""


class Conflict(StoreError):
    """What is to be recorded contradicts what is recorded."""
