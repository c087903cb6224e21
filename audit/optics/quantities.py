"""Refuse numbers that no camera, lens or print can have."""

import math


def require_positive(**quantities: float) -> None:
    """Raise unless each quantity is finite and above zero.

    Parameters
    ----------
    **quantities : float
        Values by name; the name, with its unit, goes into the message.

    Raises
    ------
    ValueError
        For a value that is zero, negative, infinite or NaN.
    """
    for name, value in quantities.items():
        if not 0 < value < math.inf:
            raise ValueError(f"{name} must be a finite number above 0, got {value}")


def require_not_negative(**quantities: float) -> None:
    """Raise unless each quantity is finite and not below zero.

    Parameters
    ----------
    **quantities : float
        Values by name; the name, with its unit, goes into the message.

    Raises
    ------
    ValueError
        For a value that is negative, infinite or NaN.
    """
    for name, value in quantities.items():
        if not 0 <= value < math.inf:
            raise ValueError(f"{name} must be a finite number not below 0, got {value}")
