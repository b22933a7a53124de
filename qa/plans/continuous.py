"""Plans that look back: at pieces in a stream (CSP-1), at lots (SkSP-2 skips, ChSP-1 chains).

The quality that goes out is that of Dodge: every incorrect piece found is replaced by a correct
one, so that nothing is taken out of the stream.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize, special

from qa._validate import checked_fraction, checked_level, checked_whole, one_whole
from qa.errors import InvalidInput
from qa.plans.single import Array, SinglePlan


class LotPlan(Protocol):
    """Any plan that judges one lot by itself."""

    def accept(
        self, p: ArrayLike, *, model: str = "binomial", lot_size: int | None = None
    ) -> Array:
        """Chance that a lot of quality `p` is accepted."""

    def asn(self, p: ArrayLike) -> Array:
        """Pieces looked at in each lot on average."""

    def aoq(self, p: ArrayLike, lot_size: int) -> Array:
        """Fraction incorrect that goes out on average, rejected lots being sorted to the end."""

    def ati(self, p: ArrayLike, lot_size: int) -> Array:
        """Pieces looked at in each lot on average, rejected lots being sorted to the end."""


@dataclass(frozen=True, slots=True)
class ContinuousPlan:
    """CSP-1: look at every piece until `i` in a row are correct, then at a fraction `f` of them.

    The first incorrect piece found brings back the look at every piece. Risks are those of a
    stream that stays at one quality `p`, each piece independent of the others.

    Parameters
    ----------
    i : int
        Clearance number, at least 1.
    f : float
        Fraction looked at while sampling, between 0 and 1.

    Raises
    ------
    InvalidInput
        If i is not one whole number, 1 or more, or f is not between 0 and 1.

    References
    ----------
    Dodge (1943), Annals of Mathematical Statistics 14, 264-279.

    Examples
    --------
    >>> plan = ContinuousPlan(57, 0.1)
    >>> highest, where = plan.aoql()
    >>> round(highest, 4), round(where, 3)
    (0.019, 0.036)
    """

    i: int
    f: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "i", one_whole(self.i, "i", least=1))
        object.__setattr__(self, "f", checked_level(self.f, "f"))

    def afi(self, p: ArrayLike) -> Array:
        """Fraction of the stream that is looked at on average: ``f / (f + (1 - f) q^i)``."""
        return self.f / (self.f + (1 - self.f) * self._clear(p))

    def accept(self, p: ArrayLike) -> Array:
        """Fraction of the stream that passes while only a part is looked at (array of p's shape).

        The stream's operating characteristic: ``v / (u + v)`` of Dodge's spells u of looking at
        every piece and v of sampling.
        """
        clear = self._clear(p)
        return clear / (self.f + (1 - self.f) * clear)

    def aoq(self, p: ArrayLike) -> Array:
        """Fraction incorrect that goes out on average: ``p (1 - afi(p))`` (array of p's shape)."""
        return checked_fraction(p, "p") * (1 - self.f) * self.accept(p)

    def aoql(self) -> tuple[float, float]:
        """The highest fraction incorrect that goes out on average, and the quality it belongs to.

        The one root of ``(i + 1) p - 1 = (1 - f) / f q^(i + 1)``; there the AOQ is
        ``((i + 1) p - 1) / i``. Found to 1e-15 in p.
        """
        odds = (1 - self.f) / self.f

        def above(p: float) -> float:
            return (self.i + 1) * p - 1 - odds * float(np.exp((self.i + 1) * np.log1p(-p)))

        where = float(optimize.brentq(above, 1 / (self.i + 1), 1 - 1e-16, xtol=1e-16))
        return float(self.aoq(where)), where

    def spells(self, p: ArrayLike) -> tuple[Array, Array]:
        """Pieces that go by on average in a spell of looking at every one, and in one of sampling.

        ``u = (1 - q^i) / (p q^i)`` and ``v = 1 / (f p)``; at p = 0 they are i and without end.
        """
        fraction = checked_fraction(p, "p")
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            run = np.expm1(-self.i * np.log1p(-fraction)) / fraction
            return np.where(fraction > 0, run, float(self.i)), 1 / (self.f * fraction)

    def _clear(self, p: ArrayLike) -> Array:
        """Chance of `i` correct pieces in a row."""
        return np.asarray(np.exp(special.xlog1py(self.i, -checked_fraction(p, "p"))))


def fraction_for(aoql: float, i: int) -> float:
    """The fraction `f` that, with the clearance number `i`, lets at most `aoql` out (CSP-1).

    Closed: the AOQL belongs to ``p = (i aoql + 1) / (i + 1)``, and there
    ``(1 - f) / f = i aoql / q^(i + 1)`` (Dodge 1943).

    Raises
    ------
    InvalidInput
        If aoql is not between 0 and 1, or i is not one whole number, 1 or more.

    Examples
    --------
    >>> round(fraction_for(0.019, 57), 3)
    0.1
    """
    limit, clearance = checked_level(aoql, "aoql"), one_whole(i, "i", least=1)
    where = (clearance * limit + 1) / (clearance + 1)
    passed = np.exp((clearance + 1) * np.log1p(-where))
    return float(passed / (passed + clearance * limit))


def clearance_for(aoql: float, f: float) -> int:
    """The smallest clearance number that, with the fraction `f`, lets at most `aoql` out (CSP-1).

    Raises
    ------
    InvalidInput
        If aoql or f is not between 0 and 1.

    Examples
    --------
    >>> clearance_for(0.019, 0.1)
    57
    """
    wanted = checked_level(f, "f")
    high = 1
    while fraction_for(aoql, high) > wanted:
        high *= 2
    low = high // 2
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if fraction_for(aoql, middle) > wanted else (low, middle)
    return high


@dataclass(frozen=True, slots=True)
class SkipLotPlan:
    """SkSP-2: judge every lot until `i` in a row are accepted, then a fraction `f` of the lots.

    The lots to judge are drawn at random; the first one rejected brings back every lot. Lots that
    are skipped go out as they are. Risks are those of lots that all have quality `p`.

    Parameters
    ----------
    reference : LotPlan
        The plan that judges a lot.
    i : int
        Accepted lots in a row, at least 1.
    f : float
        Fraction of lots judged while skipping, between 0 and 1.

    Raises
    ------
    InvalidInput
        If i is not one whole number, 1 or more, or f is not between 0 and 1.

    References
    ----------
    Perry (1973), Journal of Quality Technology 5, 123-130.

    Examples
    --------
    >>> plan = SkipLotPlan(SinglePlan(20, 1), i=4, f=0.25)
    >>> round(float(plan.accept(0.02)), 3)
    0.982
    """

    reference: LotPlan
    i: int
    f: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "i", one_whole(self.i, "i", least=1))
        object.__setattr__(self, "f", checked_level(self.f, "f"))

    def judged(
        self, p: ArrayLike, *, model: str = "binomial", lot_size: int | None = None
    ) -> Array:
        """Fraction of lots that are judged: ``f / (f + (1 - f) P^i)``, P the plan's acceptance."""
        accepted = self.reference.accept(p, model=model, lot_size=lot_size)
        return self.f / (self.f + (1 - self.f) * accepted**self.i)

    def accept(
        self, p: ArrayLike, *, model: str = "binomial", lot_size: int | None = None
    ) -> Array:
        """Chance that a lot of quality `p` goes out, judged or skipped; errors as of the plan.

        ``(f P + (1 - f) P^i) / (f + (1 - f) P^i)``.
        """
        accepted = self.reference.accept(p, model=model, lot_size=lot_size)
        skipped = (1 - self.f) * accepted**self.i
        return (self.f * accepted + skipped) / (self.f + skipped)

    def asn(self, p: ArrayLike) -> Array:
        """Pieces looked at in each lot on average, skipped lots among them."""
        return self.judged(p) * self.reference.asn(p)

    def aoq(self, p: ArrayLike, lot_size: int) -> Array:
        """Fraction incorrect that goes out on average when rejected lots are sorted to the end."""
        judged = self.judged(p)
        return (1 - judged) * checked_fraction(p, "p") + judged * self.reference.aoq(p, lot_size)

    def ati(self, p: ArrayLike, lot_size: int) -> Array:
        """Pieces looked at in each lot on average when rejected lots are sorted to the end."""
        return self.judged(p) * self.reference.ati(p, lot_size)

    def skips(self, verdicts: Sequence[str]) -> bool:
        """Whether lots may be skipped now, after the verdicts of the lots judged, oldest first.

        Raises
        ------
        InvalidInput
            If a verdict is neither "accept" nor "reject".
        """
        for at, verdict in enumerate(verdicts):
            if verdict not in ("accept", "reject"):
                raise InvalidInput(
                    f'verdicts must be "accept" or "reject", got {verdict!r} at position {at}'
                )
        return len(verdicts) >= self.i and all(each == "accept" for each in verdicts[-self.i :])


@dataclass(frozen=True, slots=True)
class ChainPlan:
    """ChSP-1: pull `n`; none incorrect accepts, and one does if the `i` lots before had none.

    It spares a plan of Ac 0 the rejection of a good lot for one piece. Risks are those of lots
    that all have quality `p`.

    Parameters
    ----------
    n : int
        Pieces to pull, at least 1.
    i : int
        Lots before that must have shown none incorrect, at least 1.

    Raises
    ------
    InvalidInput
        If a number is not whole, 1 or more.

    References
    ----------
    Dodge (1955), Industrial Quality Control 11 (4), 10-13.

    Examples
    --------
    >>> plan = ChainPlan(5, i=3)
    >>> round(float(plan.accept(0.10)), 3)
    0.658
    >>> plan.decide(1, [0, 0, 0]), plan.decide(1, [0, 1, 0])
    ('accept', 'reject')
    """

    n: int
    i: int

    def __post_init__(self) -> None:
        object.__setattr__(self, "n", one_whole(self.n, "n", least=1))
        object.__setattr__(self, "i", one_whole(self.i, "i", least=1))

    def accept(
        self, p: ArrayLike, *, model: str = "binomial", lot_size: int | None = None
    ) -> Array:
        """Chance that a lot of quality `p` is accepted; arguments and errors as of `SinglePlan`.

        ``P0 + P1 P0^i`` with P0 and P1 the chances of none and of one incorrect.
        """
        none = SinglePlan(self.n, 0).accept(p, model=model, lot_size=lot_size)
        one = SinglePlan(self.n, 1).accept(p, model=model, lot_size=lot_size) - none
        return none + one * none**self.i

    def asn(self, p: ArrayLike) -> Array:
        """Pieces looked at in each lot on average: n, whatever the quality (array of p's shape)."""
        return SinglePlan(self.n, 0).asn(p)

    def aoq(self, p: ArrayLike, lot_size: int) -> Array:
        """Fraction incorrect that goes out on average when rejected lots are sorted to the end.

        Raises
        ------
        InvalidInput
            If p is not from 0 to 1, or the lot is not a whole number, n or more.
        """
        size = _lot(lot_size, self.n)
        return checked_fraction(p, "p") * self.accept(p) * ((size - self.n) / size)

    def ati(self, p: ArrayLike, lot_size: int) -> Array:
        """Pieces looked at in each lot on average when rejected lots are sorted to the end.

        Raises
        ------
        InvalidInput
            As `aoq`.
        """
        size, fraction = _lot(lot_size, self.n), checked_fraction(p, "p")
        several = special.betainc(2, self.n - 1, fraction) if self.n > 1 else 0.0
        one = self.n * fraction * np.exp(special.xlog1py(self.n - 1, -fraction))
        before = -np.expm1(special.xlog1py(self.i * self.n, -fraction))
        return np.asarray(self.n + (size - self.n) * (several + one * before))

    def decide(self, count: int, before: Sequence[int]) -> str:
        """What a sample with `count` incorrect says of its lot: "accept" or "reject".

        Parameters
        ----------
        count : int
            Incorrect pieces in this sample.
        before : sequence of int
            Those of the samples before, oldest first. While there are fewer than `i`, one
            incorrect piece rejects.

        Raises
        ------
        InvalidInput
            If a count is not a whole number, 0 or more.
        """
        here = one_whole(count, "count", least=0)
        last = checked_whole(before, "before", least=0)[-self.i :]
        clean = last.size == self.i and not last.any()
        return "accept" if here == 0 or (here == 1 and clean) else "reject"


def _lot(lot_size: int, n: int) -> int:
    size = one_whole(lot_size, "lot_size", least=1)
    if size < n:
        raise InvalidInput(f"lot_size must be n {n} or more, got {size}")
    return size
