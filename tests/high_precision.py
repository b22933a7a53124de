"""Chances of binomial counts in 40 digits, for tests that put a limit back into its tail."""

import mpmath as mp


def exact_tail(x: int, n: int, p: float | mp.mpf, *, above: bool) -> mp.mpf:
    """P(X >= x) or P(X <= x) of a binomial, summed term by term in 40 digits."""
    if not 0 <= x <= n:
        return mp.mpf(above == (x < 0))
    with mp.workdps(40):
        p = p if isinstance(p, mp.mpf) else mp.mpf(float(p))
        log = mp.loggamma(n + 1) - mp.loggamma(x + 1) - mp.loggamma(n - x + 1)
        term = mp.exp(log + x * mp.log(p) + (n - x) * mp.log1p(-p))
        total, k = mp.mpf(0), x
        while term > total * mp.mpf(10) ** -25:
            total += term
            odds = p / (1 - p)
            term *= (n - k) * odds / (k + 1) if above else k / ((n - k + 1) * odds)
            k += 1 if above else -1
        return total
