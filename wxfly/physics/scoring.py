"""How right past verdicts were: rates with exact bounds, worth against costs, regret of a choice.

Hours of the day and seasons differ so much that pooling them makes any forecast that knows the clock look skilful, so
worth is added up as expenses within each stratum and only then compared.

References
----------
[Clopper1934] Clopper, C. J. and Pearson, E. S. (1934): The use of confidence or fiducial limits illustrated in the case
    of the binomial. Biometrika 26.
[Richardson2000] Richardson, D. S. (2000): Skill and relative economic value of the ECMWF ensemble prediction system.
    Q. J. R. Meteorol. Soc. 126.
[Hamill2006] Hamill, T. M. and Juras, J. (2006): Measuring forecast skill: is it real skill or is it the varying
    climatology? Q. J. R. Meteorol. Soc. 132.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt


def upper_bound(events: int, cases: int, confidence: float = 0.95) -> float:
    """Return the largest rate that so few events in so many cases still allow [1], [Clopper1934].

    Parameters
    ----------
    events, cases : int
        0 to `cases`; without cases nothing is known and the bound is 1.
    confidence : float, optional
        One-sided.
    """
    if not 0 <= events <= cases:
        raise ValueError(f"{events} events in {cases} cases")
    if events == cases:
        return 1.0
    return _solve(lambda rate: _at_most(events, cases, rate) - (1.0 - confidence))


def _at_most(events: int, cases: int, rate: float) -> float:
    """Return the chance of at most so many events."""
    if rate <= 0.0:
        return 1.0
    if rate >= 1.0:
        return float(events >= cases)
    total, logarithm = 0.0, cases * math.log1p(-rate)
    for k in range(events + 1):
        total += math.exp(logarithm)
        logarithm += math.log((cases - k) / (k + 1)) + math.log(rate) - math.log1p(-rate) if k < cases else 0.0
    return min(total, 1.0)


def _solve(falling: Callable[[float], float]) -> float:
    low, high = 0.0, 1.0
    for _ in range(60):
        middle = (low + high) / 2
        if falling(middle) > 0:
            low = middle
        else:
            high = middle
    return (low + high) / 2


@dataclass(frozen=True)
class Counts:
    """Hours by what was told and what came; an event is an hour in which a limit was broken.

    Attributes
    ----------
    hits, misses, false_alarms, quiet : int
        Warned and broken, not warned and broken, warned and kept, not warned and kept.
    """

    hits: int
    misses: int
    false_alarms: int
    quiet: int

    @property
    def cases(self) -> int:
        """How many hours."""
        return self.hits + self.misses + self.false_alarms + self.quiet

    @property
    def hit_rate(self) -> float:
        """Share of broken hours that were warned of; NaN where none was broken."""
        events = self.hits + self.misses
        return self.hits / events if events else math.nan

    @property
    def false_alarm_rate(self) -> float:
        """Share of kept hours that were warned of; NaN where none was kept."""
        kept = self.false_alarms + self.quiet
        return self.false_alarms / kept if kept else math.nan

    @property
    def base_rate(self) -> float:
        """Share of hours that were broken; NaN without hours."""
        return (self.hits + self.misses) / self.cases if self.cases else math.nan

    @property
    def broken_when_cleared(self) -> tuple[int, int]:
        """Broken hours among those not warned of, and how many those were."""
        return self.misses, self.misses + self.quiet


def count(warned: npt.ArrayLike, broken: npt.ArrayLike) -> Counts:
    """Count hours by what was told and what came."""
    told, came = np.asarray(warned, dtype=bool), np.asarray(broken, dtype=bool)
    return Counts(
        int((told & came).sum()), int((~told & came).sum()), int((told & ~came).sum()), int((~told & ~came).sum())
    )


def economic_value(hit_rate: float, false_alarm_rate: float, base_rate: float, cost_ratio: float) -> float:
    """Return the share of what perfect knowledge would save over the climate alone, [Richardson2000].

    Parameters
    ----------
    hit_rate, false_alarm_rate, base_rate : float
        Of broken hours [1].
    cost_ratio : float
        Cost of staying at home over the loss of a broken limit, above 0 and below 1.

    Returns
    -------
    float
        1 for a perfect warning, 0 for one that is worth no more than the climate, below 0 for a harmful one.
    """
    climate = min(cost_ratio, base_rate)
    told = false_alarm_rate * cost_ratio * (1 - base_rate) - hit_rate * base_rate * (1 - cost_ratio) + base_rate
    perfect = base_rate * cost_ratio
    return (climate - told) / (climate - perfect) if climate > perfect else math.nan


def value_within(
    chance_of_break: npt.ArrayLike, broken: npt.ArrayLike, strata: Sequence[Hashable], cost_ratio: float
) -> float:
    """Return the economic value of chances, with the climate of each stratum as the yardstick, [Hamill2006].

    Parameters
    ----------
    chance_of_break : array_like
        Told before the hour [1]; one acts where it is above the cost ratio.
    broken : array_like of bool
        What came.
    strata : sequence
        Of each hour, such as season and hour of day. One value for all of them pools.
    cost_ratio : float
        Above 0 and below 1.

    Returns
    -------
    float
        NaN where the climate alone leaves nothing to save.
    """
    chance, came = np.asarray(chance_of_break, dtype=float), np.asarray(broken, dtype=bool)
    climate = told = perfect = 0.0
    for stratum in dict.fromkeys(strata):
        here = np.array([s == stratum for s in strata])
        rate = float(came[here].mean())
        cases = int(here.sum())
        acted = chance[here] > cost_ratio
        climate += cases * min(cost_ratio, rate)
        told += float(np.where(acted, cost_ratio, came[here]).sum())
        perfect += cases * rate * cost_ratio
    return (climate - told) / (climate - perfect) if climate - perfect > 1e-12 else math.nan
