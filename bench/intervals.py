"""How sure a count is: Wilson's interval for shares, exact bounds for events in time. Pure."""

from __future__ import annotations

import math

from scipy.stats import chi2, norm


def wilson(hits: int, of: int, confidence: float = 0.95) -> tuple[float, float]:
    """Wilson's score interval for a share (E. B. Wilson, JASA 22, 1927); 0 to 1 when nothing was tried."""
    if of == 0:
        return 0.0, 1.0
    z = float(norm.ppf(0.5 + confidence / 2))
    share = hits / of
    middle = share + z * z / (2 * of)
    half = z * math.sqrt(share * (1 - share) / of + z * z / (4 * of * of))
    scale = 1 + z * z / of
    # Rounding must not put the share itself outside: where all hit, the upper end comes to a little less than 1.
    return max(0.0, min(share, (middle - half) / scale)), min(1.0, max(share, (middle + half) / scale))


def poisson(events: int, hours: float, confidence: float = 0.95) -> tuple[float, float]:
    """Exact two-sided interval for events an hour (F. Garwood, Biometrika 28, 1936)."""
    if hours <= 0:
        return 0.0, math.inf
    rest = (1 - confidence) / 2
    low = float(chi2.ppf(rest, 2 * events)) / 2 if events else 0.0
    return low / hours, float(chi2.ppf(1 - rest, 2 * events + 2)) / 2 / hours


def poisson_upper(events: int, hours: float, confidence: float = 0.95) -> float:
    """One-sided exact upper bound for events an hour; with no event it is 2.996 / hours, the rule of three."""
    return math.inf if hours <= 0 else float(chi2.ppf(confidence, 2 * events + 2)) / 2 / hours


def most_of_none(of: int, confidence: float = 0.95) -> float:
    """Exact one-sided upper bound for a share of which none was seen (C. J. Clopper and E. S. Pearson, Biometrika 26, 1934); 1 when nothing was tried."""
    return 1.0 if of == 0 else 1 - (1 - confidence) ** (1 / of)
