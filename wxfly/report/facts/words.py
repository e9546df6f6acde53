"""The sentences that every format carries: cautions, that an answer is invented, why the way home is missing."""

from __future__ import annotations

from collections.abc import Callable, Sequence

CAUTIONS = (
    "This is advice, not permission: local rules, the maker's manual and your own judgement on the spot prevail.",
    "A forecast is an average over kilometres and knows no hill, tree or roof beside you: measure the wind where"
    " you stand, look at the sky, and land while you could still have stayed up.",
)
"""What every output says, the first at the least."""

FAR_AHEAD = "The further ahead, the less a margin means: look again at windows more than three days away."

INVENTED = "Demonstration: the places and the weather are invented. Do not fly by this."


def listed(words: Sequence[str]) -> str:
    """Join words as ``a, b and c``."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"


def energy_missing(figures: Sequence[str]) -> str:
    """Say which figures are missing that the way home needs."""
    return f"the aircraft's figures give no {listed([name.replace('_', ' ') for name in figures])}"


def told_apart(names: Sequence[str], heights: Sequence[float], in_words: Callable[[float], str]) -> list[str]:
    """Name sites apart: by name, by height where that is needed, and by a number where neither does.

    Parameters
    ----------
    names : sequence of str
        Of the sites.
    heights : sequence of float
        Flight heights above ground [m].
    in_words : callable
        How a height is written.
    """
    told = list(names)
    if len(set(told)) < len(told) or len(set(heights)) > 1:
        told = [f"{name} {in_words(height)}" for name, height in zip(told, heights, strict=True)]
    return [f"{n} ({told[:i].count(n) + 1})" if told.count(n) > 1 else n for i, n in enumerate(told)]
