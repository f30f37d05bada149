"""Numbers written for people."""

from __future__ import annotations


def number(value: float) -> str:
    """Write a number for people: four significant digits, no exponent where it can be helped.

    Examples
    --------
    >>> number(0.30000000000000004), number(1250.0), number(2e-5)
    ('0.3', '1250', '2e-05')
    """
    rounded = float(f"{value:.4g}")
    return f"{rounded:.0f}" if rounded == int(rounded) and abs(rounded) < 1e6 else f"{rounded:g}"
