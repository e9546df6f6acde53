"""The verdict of a briefing on every hour, as recorded in the ledger, and those of earlier runs on the same hours."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from wxfly.answer.request import Briefing, SiteAnswer
from wxfly.assessment.suitability import State
from wxfly.history.ledger import Verdict, ledger_folder, read_verdicts


def verdicts_of(briefing: Briefing) -> list[Verdict]:
    """Return a verdict on every daylight hour of a briefing, for the ledger; none for answers with a sortie."""
    run = briefing.provenance.run
    started = "" if np.isnat(run) else f"{run.astype('datetime64[s]')}Z"
    told = f"{briefing.now.astype('datetime64[s]')}Z"
    model = briefing.provenance.model
    # An anemometer cannot show whether a sortie would have come home, so such answers cannot be scored.
    scored = (answer for answer in briefing.answers if answer.request.sortie is None)
    return [v for answer in scored for v in _verdicts(answer, told, started, model)]


def _verdicts(answer: SiteAnswer, told: str, run: str, model: str) -> list[Verdict]:
    assessment, request = answer.assessment, answer.request
    lit = assessment["usable_end"].values > assessment["usable_start"].values
    chances = None if answer.sureness is None else answer.sureness.hours.values
    limits = {"wind": request.limits.maximum_wind, "gust": request.limits.maximum_gust}
    return [
        Verdict(
            site=request.site.name,
            aircraft=request.aircraft.name,
            latitude=request.site.latitude,
            longitude=request.site.longitude,
            height=float(request.height),
            hour=f"{assessment['time'].values[i].astype('datetime64[s]')}Z",
            told=told,
            run=run,
            model=model,
            state=State(int(assessment["state"].values[i])).words,
            margin=_plain(assessment["hour_margin"].values[i]),
            chance=None if chances is None else _plain(chances[i]),
            limiting_element=str(assessment["limiting_element"].values[i]),
            limits=limits,
        )
        for i in np.flatnonzero(lit)
    ]


def _plain(value: float) -> float | None:
    return round(float(value), 4) if np.isfinite(value) else None


def earlier_runs(answer: SiteAnswer, verdicts: Sequence[Verdict]) -> tuple[tuple[str, float], ...]:
    """Return the chances from earlier runs of the same model for the most probable period of the best window.

    Parameters
    ----------
    answer : SiteAnswer
        The answer for one site.
    verdicts : sequence of Verdict
        Verdicts on its hours, from `verdicts_of`.

    Returns
    -------
    tuple of (str, float)
        Start of each earlier run, oldest first, and the smallest chance of its hours. Runs that did not judge all of
        the hours, with the same aircraft, height and limits, are left out.
    """
    if answer.best is None or not verdicts:
        return ()
    stretch = answer.best.surest or answer.best
    hours = answer.assessment["time"].values[stretch.first : stretch.last + 1]
    wanted = {f"{h.astype('datetime64[s]')}Z" for h in hours}
    now = next((v for v in verdicts if v.hour in wanted and v.site == answer.request.site.name), None)
    if now is None or not now.run:
        return ()
    by_run: dict[str, dict[str, float]] = {}
    for month in sorted({hour[:7] for hour in wanted}):
        for earlier in read_verdicts(ledger_folder() / f"{month}.jsonl"):
            same = (earlier.site, earlier.aircraft, earlier.height, earlier.model, dict(earlier.limits)) == (
                now.site, now.aircraft, now.height, now.model, dict(now.limits)
            )  # fmt: skip
            if same and earlier.hour in wanted and earlier.run and earlier.run < now.run and earlier.chance is not None:
                by_run.setdefault(earlier.run, {})[earlier.hour] = earlier.chance
    return tuple((run, min(told.values())) for run, told in sorted(by_run.items()) if set(told) == wanted)
