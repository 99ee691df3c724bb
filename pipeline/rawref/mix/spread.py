"""How uncertain amounts add up: equally likely points instead of random draws.

Method. An amount that is known by a figure and its 90 % interval (`low` and `high` are its 5 % and 95 % points) is
written as POINTS equally likely amounts: the middles of POINTS slices of equal chance of a distribution that passes
through low, figure and high (means would let a far end that hardly ever comes weigh too much). That is a lognormal
about the figure, with a sigma of its own on each side; where `low` is zero the lower half rises evenly from zero, and a
range without a figure (trace, below detection) is even from zero to its end.

Amounts of different ingredients are independent. The points of a sum are all sums of a point of one and a point of the
other, sorted and put back into POINTS slices of equal chance; the chance that a quotient reaches a bound is the mean
over the points of what is below the line. There is no random number in it: the same mix gives the same bytes, and a
Monte Carlo with a fixed seed agrees within two points of a hundred (tests/test_mix_chance.py). Matching moments, the
usual closed form, was tried first and was off by up to eleven points where one wide ingredient rules a sum.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Callable, Iterable, Sequence
from functools import lru_cache
from statistics import NormalDist

Points = tuple[float, ...]
POINTS = 64
Z90 = NormalDist().inv_cdf(0.95)  # low and high are 5 % and 95 % points
NOTHING: Points = (0.0,)
# An amount this much narrower than the widest adds its mean and no width.
NARROW = 1e-3
FEWER = (1 / 4, 1 / 16)  # of the width: an amount so much narrower is added with half as many points, and half of those
EXACT = 1e-5  # a chance is found to a thousandth of a per cent
_MIDDLES = tuple(NormalDist().inv_cdf((n + 0.5) / POINTS) for n in range(POINTS))


@lru_cache(maxsize=4096)
def points_of(low: float, figure: float | None, high: float) -> Points:
    """The points of one amount, increasing; a single one where it has no width.

    Any unit of zero or more; `figure` None for a range without a figure. Needs low <= figure <= high.
    """
    if high <= low:
        return (high if figure is None else figure,)
    if figure is None and low > 0:
        figure = math.sqrt(low * high)
    if not figure:
        return _even(0.0, high, POINTS)
    half = POINTS // 2
    upper = _lognormal(figure, math.log(high / figure) / Z90, half, POINTS)
    if low > 0:
        return (*_lognormal(figure, math.log(figure / low) / Z90, 0, half), *upper)
    return (*_even(0.0, figure, half), *upper)


def _even(low: float, high: float, count: int) -> Points:
    return tuple(low + (high - low) * (n + 0.5) / count for n in range(count))


def _lognormal(median: float, sigma: float, first: int, last: int) -> Points:
    """The middles of the slices `first` to `last` of a lognormal."""
    if sigma <= 0:
        return (median,) * (last - first)
    return tuple([median * math.exp(sigma * _MIDDLES[n]) for n in range(first, last)])


def scaled(points: Points, factor: float) -> Points:
    """The points of `factor` times an amount, increasing."""
    found = tuple([factor * point for point in points])
    return found if factor >= 0 else found[::-1]


def together(first: Points, second: Points) -> Points:
    """The points of a sum of two amounts that rise and fall as one, such as two components of one food."""
    if len(first) == 1:
        return tuple(first[0] + point for point in second)
    if len(second) == 1:
        return tuple(point + second[0] for point in first)
    return tuple(map(sum, zip(first, second, strict=True)))


def total(amounts: Iterable[Points]) -> Points:
    """The points of the sum of independent amounts, the same whatever their order."""
    given = list(amounts)
    wide = sorted((points for points in given if points[-1] > points[0]), key=lambda points: (_width(points), points))
    shift = math.fsum(points[0] for points in given if not points[-1] > points[0])
    if not wide:
        return (shift,)
    found = wide.pop()
    floor = NARROW * _width(found)
    while wide:
        part = wide.pop()
        if _width(part) < floor:
            shift += math.fsum(_within(part)) / len(part)
        else:
            found = _added(found, part)
    return tuple([shift + point for point in found])


def _added(wide: Points, narrow: Points) -> Points:
    few, ratio = coarse(narrow), _width(narrow) / (_width(wide) or math.inf)
    for enough in FEWER:  # what hardly widens the sum needs fewer points of its own
        if ratio < enough:
            few = coarse(few)
    sums = sorted([a + b for a in wide for b in few])
    count = len(few)
    return tuple([sum(sums[n : n + count]) / count for n in range(0, len(sums), count)])


def _width(points: Points) -> float:
    """About the 90 % interval: a far end that hardly ever comes is no measure of how much an amount matters."""
    end = len(points) // 20
    return points[-1 - end] - points[end]


def mean(points: Points) -> float:
    """The mean of an amount."""
    return math.fsum(points) / len(points)


def _within(points: Points) -> list[float]:
    """The points, those beyond the 90 % interval taken as its ends."""
    end = len(points) // 20
    low, high = points[end], points[-1 - end]
    return [min(max(point, low), high) for point in points]


def variance_within(points: Points) -> float:
    """How uncertain an amount is: the variance within its 90 % interval, what lies beyond taken as its end. A far end
    that hardly ever comes would outweigh all else and decide nothing."""
    within = _within(points)
    middle = math.fsum(within) / len(within)
    return math.fsum((point - middle) ** 2 for point in within) / len(within)


def at_least(points: Sequence[float], bound: float) -> float:
    """The chance that an amount is `bound` or more; between two points it falls evenly."""
    count = len(points)
    place = bisect_left(points, bound)
    if count == 1:
        return float(place == 0)
    if place == 0:
        return 1 - max(0.0, 0.5 - 0.5 * _over(points[0] - bound, points[1] - points[0])) / count
    if place == count:
        return max(0.0, 0.5 - 0.5 * _over(bound - points[-1], points[-1] - points[-2])) / count
    below, above = points[place - 1], points[place]
    return 1 - (place - 0.5 + (bound - below) / (above - below)) / count


def _over(distance: float, step: float) -> float:
    return distance / step if step else 1.0


def reaches(over: Points, under: Points, bound: float) -> float:
    """The chance that over / under is `bound` or more, for two independent amounts and a positive bound."""
    if len(over) == 1 and len(under) > 1:
        limit = over[0] / bound
        return 1 - at_least(under, math.nextafter(limit, math.inf))
    count, place, found = len(over), 0, 0.0
    if count == 1:
        return sum([float(over[0] >= bound * point) for point in under]) / len(under)
    sure, none = over[0] - (over[1] - over[0]), over[-1] + (over[-1] - over[-2])
    for point in under:  # as at_least, but that the next place is sought from the last one on
        at = bound * point
        if at <= sure:
            found += 1
            continue
        if at >= none:
            break
        place = bisect_left(over, at, place)
        if 0 < place < count:
            below = over[place - 1]
            found += 1 - (place - 0.5 + (at - below) / (over[place] - below)) / count
        else:
            found += at_least(over, at)
    return found / len(under)


def coarse(points: Points) -> Points:
    """Half as many points of the same amount: enough for the ends of an interval that is only shown."""
    if len(points) == 1:
        return points
    return tuple([(points[n] + points[n + 1]) / 2 for n in range(0, len(points), 2)])


def ratios(over: Points, under: Points) -> list[float]:
    """The quotients of every point of one amount by every point of another, above zero, increasing."""
    falling = under[::-1]
    return sorted([a / b for a in over for b in falling])


def quantile(points: Sequence[float], chance: float) -> float:
    """The amount that is not reached with this chance, 0.05 for the low end of a 90 % interval."""
    if len(points) == 1:
        return points[0]
    place = chance * len(points) - 0.5
    left = min(max(math.floor(place), 0), len(points) - 2)
    return points[left] + (points[left + 1] - points[left]) * (place - left)


def around(
    rising: Callable[[float], float], target: float, guess: float, first: float, last: float
) -> tuple[float, float]:
    """Two places between `first` and `last`, near a guess, between which a rising function reaches `target`."""
    step, low, high = (last - first) / 32, guess, guess
    if rising(guess) < target:
        while high < last and rising(high) < target:
            low, high, step = high, min(high + step, last), step * 2
    else:
        while low > first and rising(low) >= target:
            low, high, step = max(low - step, first), low, step * 2
    return low, high


def solve(rising: Callable[[float], float], target: float, low: float, high: float, steps: int = 40) -> float:
    """Where a rising function of one number reaches `target` between low and high, to the width of `steps` halvings;
    the nearer end where it does so below or above. By false position, and by halving where that is slower."""
    under, over = rising(low) - target, rising(high) - target
    if under >= 0 or over < 0:
        return low if under >= 0 else high
    width = (high - low) / 2**steps
    halve = False
    while high - low > width:
        middle = (low + high) / 2
        if not halve:
            middle = low + (high - low) * min(max(-under / (over - under), 0.01), 0.99)
        found = rising(middle) - target
        before = high - low
        if found < 0:
            low, under = middle, found
        else:
            high, over = middle, found
        if abs(found) < EXACT:
            return middle
        halve = high - low > before / 2
    return (low + high) / 2
