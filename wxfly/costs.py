"""Two decisions with two thresholds, from what a pilot says they cost: driving out, and taking off.

The rule of a cost against a loss: act where the chance is above the cost over what acting gains.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class Costs:
    """What a pilot may give: what driving out costs, what a flight is worth, what a broken limit would cost.

    In one currency, each above 0.
    """

    driving_out: float
    value_of_flight: float
    damage: float

    @property
    def least_chance_to_drive(self) -> float:
        """The chance above which driving out pays: ``cost / value``."""
        return self.driving_out / self.value_of_flight

    @property
    def largest_risk_to_take_off(self) -> float:
        """The chance of a broken limit below which taking off pays: ``value / damage``."""
        return self.value_of_flight / self.damage

    @property
    def members_needed(self) -> int:
        """How many members an ensemble needs to tell a risk as small as that from more: ``1/(m+2)`` must reach it."""
        return max(1, math.ceil(1.0 / self.largest_risk_to_take_off - 2.0 - 1e-9))


def drives_out(chance: float, costs: Costs) -> bool:
    """Tell whether driving out pays at this chance of a window; not when the chance is not known."""
    return chance > costs.least_chance_to_drive


def takes_off(chance: float, costs: Costs) -> bool:
    """Tell whether the risk of a broken limit is small enough to take off; not when it is not known."""
    return 1.0 - chance < costs.largest_risk_to_take_off
