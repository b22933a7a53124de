"""Double plans: a first sample, and a second one where the first does not decide."""

from dataclasses import dataclass

from numpy.typing import ArrayLike

from qa._validate import checked_whole
from qa.errors import InvalidInput
from qa.plans.multiple import MultiplePlan, Stage
from qa.plans.single import Array


@dataclass(frozen=True, slots=True)
class DoublePlan:
    """Pull `n1` pieces; accept at `ac1` incorrect or fewer, reject at `re1`; else pull `n2` more.

    Parameters
    ----------
    n1, ac1, re1 : int
        First sample. `re1` lies above ``ac1 + 1``, so that a second sample is possible.
    n2, ac2, re2 : int
        Second sample; its numbers count the incorrect pieces of both together. Reduced inspection
        alone has a gap between `ac2` and `re2`: a count in it accepts this lot (MIL-STD-105E,
        4.7.4).

    Raises
    ------
    InvalidInput
        If a number is not whole or out of its range.

    References
    ----------
    MIL-STD-105E (1989), 4.9.2. Duncan (1986), Quality Control and Industrial Statistics, ch. 8.

    Examples
    --------
    >>> plan = DoublePlan(50, 1, 4, 100, 3, 4)
    >>> round(float(plan.accept(0.05)), 3)
    0.29
    >>> plan.decide(2), plan.decide(2, 1)
    ('second sample', 'accept')
    """

    n1: int
    ac1: int
    re1: int
    n2: int
    ac2: int
    re2: int

    def __post_init__(self) -> None:
        for name, least in (("n1", 1), ("ac1", 0), ("re1", 1), ("n2", 1), ("ac2", 0), ("re2", 1)):
            value = checked_whole(getattr(self, name), name, least=least)
            if value.ndim:
                raise InvalidInput(f"{name} must be one number, got {value.size}")
            object.__setattr__(self, name, int(value))
        for lower, upper, room in (
            ("ac1", "re1", 2), ("ac2", "re2", 1), ("ac1", "ac2", 0), ("re1", "re2", 0),
        ):  # fmt: skip
            low, high = getattr(self, lower), getattr(self, upper)
            if high < low + room:
                raise InvalidInput(
                    f"{upper} must be {lower}{f' + {room}' * bool(room)} or more, "
                    f"got {high} for {lower} {low}"
                )

    @property
    def n(self) -> int:
        """Pieces of both samples together: the most that the plan may ask for."""
        return self.n1 + self.n2

    @property
    def first(self) -> int:
        """Pieces of the first sample."""
        return self.n1

    @property
    def last_ac(self) -> int:
        """Most incorrect pieces, of all that may be pulled, that accept a lot."""
        return self.ac2

    @property
    def staged(self) -> MultiplePlan:
        """The same plan as one of two stages."""
        first = Stage(self.n1, self.ac1, self.re1)
        return MultiplePlan((first, Stage(self.n2, self.ac2, self.re2)))

    def accept(
        self, p: ArrayLike, *, model: str = "binomial", lot_size: int | None = None
    ) -> Array:
        """Chance that a lot of quality `p` is accepted; arguments and errors as of `SinglePlan`."""
        return self.staged.accept(p, model=model, lot_size=lot_size)

    def asn(self, p: ArrayLike, *, curtailed: bool = False) -> Array:
        """Pieces looked at in each lot on average (array of p's shape), lots of a process at `p`.

        With `curtailed`, the second sample ends at the rejection number; the first never does.
        """
        return self.staged.asn(p, curtailed=curtailed)

    def aoq(self, p: ArrayLike, lot_size: int) -> Array:
        """Fraction incorrect that goes out on average when rejected lots are sorted to the end."""
        return self.staged.aoq(p, lot_size)

    def ati(self, p: ArrayLike, lot_size: int) -> Array:
        """Pieces looked at in each lot on average when rejected lots are sorted to the end."""
        return self.staged.ati(p, lot_size)

    def decide(self, count1: int, count2: int | None = None) -> str:
        """What the samples say of their lot: "accept", "reject" or "second sample".

        Parameters
        ----------
        count1 : int
            Incorrect pieces in the first sample.
        count2 : int, optional
            Incorrect pieces in the second sample alone.

        Raises
        ------
        InvalidInput
            If a count is not whole or below 0, or the first sample decided and `count2` is given.
        """
        said = self.staged.decide(*((count1,) if count2 is None else (count1, count2)))
        return "second sample" if said == "next sample" else said
