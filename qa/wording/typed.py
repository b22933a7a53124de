"""Figures as people type them: 9.5 and 9,5 alike, and a thousands mark never taken for a decimal.

What is typed goes into addresses that are sent on, so it means the same in every language.
"""

import re

_MOST = 20  # characters of a figure
_DECIMAL = re.compile(r"[+-]?(?:\d+[.,]?\d*|[.,]\d+)", re.ASCII)
_GROUPED = re.compile(
    r"[+-]?[1-9]\d{0,2}(?:(?P<mark>[.,])\d{3}(?:(?P=mark)\d{3})*|(?:[ \u00a0\u202f]\d{3})+)",
    re.ASCII,
)
_GROUPED_AND_MORE = re.compile(
    r"[+-]?[1-9]\d{0,2}(?:(?:,\d{3})+\.|(?:\.\d{3})+,|(?:[ \u00a0\u202f]\d{3})+[.,])\d+", re.ASCII
)


def readings(text: str) -> tuple[str, ...]:
    """What a typed figure may mean, each with a point for its decimals; none where it is no figure.

    Examples
    --------
    >>> readings("9,5"), readings("9.5"), readings("0.125"), readings("1.234,5")
    (('9.5',), ('9.5',), ('0.125',), ('1234.5',))
    >>> readings("1.500"), readings("1,500"), readings("1 500"), readings("many")
    (('1.500', '1500'), ('1.500', '1500'), ('1500',), ())
    """
    given = text.strip()
    if len(given) > _MOST:
        return ()
    found = []
    if _DECIMAL.fullmatch(given):
        found.append(given.replace(",", "."))
    if _GROUPED.fullmatch(given):
        found.append(re.sub("[^0-9+-]", "", given))
    if _GROUPED_AND_MORE.fullmatch(given):
        mark = max(given.rfind("."), given.rfind(","))
        found.append(re.sub("[^0-9+-]", "", given[:mark]) + "." + given[mark + 1 :])
    return tuple(found)


def plainly(text: str, below: float = float("inf")) -> str:
    """A typed figure with a point for its decimals, where below `below` it means one thing alone.

    Any other text stays as it is, for whoever reads it to say what is wrong with it.

    Examples
    --------
    >>> plainly("9,5"), plainly("99,125", below=100), plainly("1,500"), plainly("many")
    ('9.5', '99.125', '1,500', 'many')
    """
    fit = [each for each in readings(text) if abs(float(each)) < below]
    return fit[0] if len(fit) == 1 else text


def two_ways(text: str, below: float = float("inf")) -> bool:
    """Whether a typed figure may mean two, of which a thousands mark makes one."""
    return sum(abs(float(each)) < below for each in readings(text)) > 1
