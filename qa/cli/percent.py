"""A share that must be high, as it is typed on the command line: in per cent."""

from qa.errors import InvalidInput

LEAST = 0.5  # below it a share was typed as a fraction, such as 0.99, or proves nothing


def high(text: str, option: str) -> float:
    """The fraction that was typed in per cent: 99, 98.5 or "98,5 %".

    Raises
    ------
    InvalidInput
        If it is no number, or not from 50 to below 100 per cent.
    """
    try:
        value = float(text.replace(",", ".").rstrip("% ")) / 100
    except ValueError:
        raise InvalidInput(f"{option} must be in per cent, such as 99, got {text}") from None
    if not LEAST <= value < 1:
        said = f"{option} must be from 50 to below 100 per cent, such as 99, got {text}"
        raise InvalidInput(said)
    return value
