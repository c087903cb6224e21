"""Where a function crosses zero."""

import math
from collections.abc import Callable
from itertools import pairwise

MOST_STEPS = 200


def crossing(curve: Callable[[float], float], low: float, high: float) -> float:
    """Place between `low` and `high` where `curve` changes sign.

    Parameters
    ----------
    curve : callable
        Continuous, of opposite sign (or zero) at the two ends.
    low, high : float
        Ends of the search; the answer is exact to 1e-12 of their distance.

    Returns
    -------
    float
        The crossing.

    Raises
    ------
    ValueError
        If both ends have the same sign.

    References
    ----------
    Ridders, C. J. F. (1979). A new algorithm for computing a single root of a real continuous
    function. IEEE Transactions on Circuits and Systems, 26, 979-980.
    """
    at_low, at_high = curve(low), curve(high)
    if at_low == 0:
        return low
    if at_high == 0:
        return high
    if (at_low > 0) == (at_high > 0):
        raise ValueError(f"no change of sign between {low} and {high}")
    near_enough = 1e-12 * abs(high - low)
    place = low
    for _ in range(MOST_STEPS):
        middle = (low + high) / 2
        at_middle = curve(middle)
        # Never zero: the ends differ in sign.
        scale = math.sqrt(at_middle**2 - at_low * at_high)
        towards_high = at_middle / scale if at_low > 0 else -at_middle / scale
        previous, place = place, middle + (middle - low) * towards_high
        at_place = curve(place)
        if at_place == 0 or abs(place - previous) < near_enough:
            break
        ends = sorted([(low, at_low), (middle, at_middle), (place, at_place), (high, at_high)])
        # The neighbours between which the sign changes.
        (low, at_low), (high, at_high) = next(
            pair for pair in pairwise(ends) if (pair[0][1] > 0) != (pair[1][1] > 0)
        )
    return place
