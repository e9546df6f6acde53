"""The words of a field check: what was read, what it weighs, and what it does to the rest of the day."""

from __future__ import annotations

import math

from wxfly.field_check import HandRule
from wxfly.reading import Correction
from wxfly.report import phrases
from wxfly.report.brief_words import rounded_down, wrapped


def render(correction: Correction, rule: HandRule, units: str, width: int = 100) -> str:
    """Write a field check for the terminal; the answer for the rest of the day stands below it."""
    return wrapped([f"{label}: {text}" for label, text in lines(correction, rule, units)], width)


def lines(correction: Correction, rule: HandRule, units: str) -> list[tuple[str, str]]:
    """Give what a field check says, the verdict of the reading first."""
    c = correction
    told = [("Reading", verdict(c, rule, units)), ("Weight", _weight(c, units))]
    told.append(("Wind", _wind(c, units)))
    if not math.isnan(c.carried_gust):
        told.append(("Gust", _gust(c, units)))
    if c.reading.temperature is not None:
        told.append(("Temperature", _temperature(c, units)))
    return told


def verdict(correction: Correction, rule: HandRule, units: str) -> str:
    """Say whether the limits hold aloft by the reading alone."""
    r, unit = correction.reading, phrases.unit_of("wind", units)
    hand = phrases.amount(r.hand_height, "height", units)
    read = f"mean {phrases.number(r.mean, unit)}"
    read += "" if r.gust is None else f", gust {phrases.number(r.gust, unit)}"
    read += f" {unit} at {hand}"
    gust = -math.inf if r.gust is None else r.gust
    if r.mean > rule.mean_stop or gust > rule.gust_stop:
        return f"{read}: do not launch; a limit is more likely passed than kept at {_height(correction, units)}"
    if math.isnan(rule.mean_holds + rule.gust_holds):
        return f"{read}: not known what it means aloft"
    if r.mean <= rule.mean_holds and gust <= rule.gust_holds:
        unread = " (the gust was not read)" if r.gust is None else ""
        return f"{read}: the limits hold at {_height(correction, units)}, {100 * rule.confidence:.0f} in 100{unread}"
    below = f"mean {rounded_down(rule.mean_holds, unit)} and gust {rounded_down(rule.gust_holds, unit)} {unit}"
    return f"{read}: in doubt; the limits hold surely only below {below}: fly lower and nearer, or wait"


def _height(correction: Correction, units: str) -> str:
    return phrases.amount(correction.height, "height", units)


def _weight(c: Correction, units: str) -> str:
    doubt = phrases.amount(c.carried_deviation, "wind", units)
    return f"{100 * c.weight:.0f} % for the reading, the rest for the forecast (carried up, give or take {doubt})"


def _wind(c: Correction, units: str) -> str:
    unit = phrases.unit_of("wind", units)
    parts = [
        f"forecast {phrases.number(c.expected_at_hand, unit)} at the hand, {phrases.number(c.forecast_wind, unit)} at"
        f" {_height(c, units)}",
        f"the reading says {phrases.number(c.carried_wind, unit)} there",
        f"from now on {phrases.number(max(c.forecast_wind + c.added_wind, 0.0), unit)} {unit}",
    ]
    return "; ".join(parts) + _lee(c.added_wind)


def _gust(c: Correction, units: str) -> str:
    unit = phrases.unit_of("wind", units)
    if math.isnan(c.forecast_gust):
        return f"no forecast; the reading says {phrases.number(c.carried_gust, unit)} {unit} at {_height(c, units)}"
    now = phrases.number(max(c.forecast_gust + c.added_gust, 0.0), unit)
    return (
        f"forecast {phrases.number(c.forecast_gust, unit)} at {_height(c, units)}; the reading says"
        f" {phrases.number(c.carried_gust, unit)}; from now on {now} {unit}"
    )


def _lee(added: float) -> str:
    return "" if added >= 0 else "; a reading below the forecast counts half: a hand may stand in a lee"


def _temperature(c: Correction, units: str) -> str:
    unit = phrases.unit_of("temperature", units)
    symbol = phrases.symbol_of(unit)
    assert c.reading.temperature is not None
    read = phrases.number(c.reading.temperature, unit)
    if math.isnan(c.expected_temperature):
        return f"{read} {symbol} read; no forecast to hold it against"
    now = phrases.number(c.expected_temperature + c.added_temperature, unit)
    return f"forecast {phrases.number(c.expected_temperature, unit)}, read {read}; from now on {now} {symbol}"
