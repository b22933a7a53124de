"""Which of many points are drawn, so that a long chart stays quick and looks as all of it would."""

from collections.abc import Iterable, Sequence

MOST = 600  # points drawn: of each stretch as wide as a point on a desk's screen, the peaks
_KEPT = 3  # of each stretch: the highest and the lowest level, and the highest sum


def drawn_points(
    value: Sequence[float], total: Sequence[float], always: Iterable[int] = (), most: int = MOST
) -> list[int]:
    """Positions of the points to draw, in order: all, where they are not too many.

    Of each stretch of equal length the highest and the lowest level and the highest sum are drawn,
    so that no peak is lost, with those that are drawn `always` and both ends.
    """
    size = len(value)
    if size <= most:
        return list(range(size))
    chosen = {0, size - 1, *always}
    stretches = max(most // _KEPT, 1)
    for k in range(stretches):
        stretch = range(k * size // stretches, (k + 1) * size // stretches)
        chosen |= {
            max(stretch, key=value.__getitem__),
            min(stretch, key=value.__getitem__),
            max(stretch, key=total.__getitem__),
        }
    return sorted(chosen)


def turns(values: Sequence[float]) -> list[int]:
    """Positions of the points that make a line: the same line without those amid a level run."""
    known = [None if each != each else each for each in values]  # where there is none, no line
    last = len(known) - 1
    return [
        k
        for k, value in enumerate(known)
        if k in (0, last) or not known[k - 1] == value == known[k + 1]
    ]
