"""Forecasts compared with what was observed: verify, ledger, observed; and forget, for choices made before."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import click

from wxfly.cli.options import OFFERS, as_json, from_standard_input, showing_units
from wxfly.cli.program import main, say, show, tell_progress, width
from wxfly.pilot.settings import load_settings


@main.command(epilog="Example: wxfly verify meadow --observed mine.csv --observed-height 4m --learn")
@click.argument("site", shell_complete=OFFERS["saved site"])
@click.option(
    "--observed",
    type=click.Path(path_type=Path),
    callback=from_standard_input,
    help="Observations: your own file (.csv) or airport reports (.json); - reads standard input.  [default: the last "
    "week's reports of the nearest airport, asked of the service]",
)
@click.option(
    "--observed-height",
    metavar="HEIGHT",
    help="Of the anemometer above ground, such as 4m.  [default: 10m; without unit: m]",
)
@click.option(
    "--station", metavar="CODE", help="The airport: where the reports are of several, or another than the nearest."
)
@click.option("--model", metavar="MODEL", help="Whose past forecasts.")
@click.option(
    "--past", is_flag=True, help="Also ask the service for forecasts of the last weeks that are not in the store."
)
@click.option(
    "--learn", is_flag=True, help="Write what the place teaches, from 30 days on, for use with --site-record."
)
@click.option("--offline", is_flag=True, help="Ask nobody: neither where SITE is nor for reports.")
@as_json
def verify(
    site: str,
    as_json: bool,
    observed: Path | None,
    observed_height: str | None,
    station: str | None,
    model: str | None,
    past: bool,
    learn: bool,
    offline: bool,
) -> None:
    """Compare past forecasts for SITE with what was observed there."""
    from wxfly.question.verification import VerificationAsked, read_observed_height
    from wxfly.question.verification import verify as compare_with_observations
    from wxfly.report.command_facts.verification import verification_facts
    from wxfly.report.text.verification import verified_text

    asked = VerificationAsked(
        observed=observed,
        observed_height=read_observed_height(observed_height),
        station=station or "",
        model=model,
        asks_for_past=past,
        learns=learn,
        offline=offline,
    )
    facts = verification_facts(compare_with_observations(site, asked, on_progress=tell_progress))
    show(facts, lambda: verified_text(facts), as_json=as_json)


@main.command(epilog="Example: wxfly ledger meadow --withdraw 2026-06-10 --reason 'wrong unit'")
@click.argument("site", required=False, shell_complete=OFFERS["saved site"])
@click.option(
    "--withdraw",
    metavar="TIME",
    help="Let what was observed at SITE in this hour or on this day (UTC) count no more; the entries stay, marked.",
)
@click.option("--reason", metavar="TEXT", help="Why it is withdrawn.")
@as_json
def ledger(site: str | None, withdraw: str | None, reason: str | None, as_json: bool) -> None:
    """Say how past answers, kept before their hour came, compare with what was observed, for SITE or for all."""
    from wxfly.question.verification import score_ledger
    from wxfly.question.verification import withdraw as withdraw_observations
    from wxfly.report.command_facts.verification import ledger_facts
    from wxfly.report.text.verification import ledger_text

    if withdraw or reason:
        say(withdraw_observations(site, withdraw, reason))
        return
    facts = ledger_facts(score_ledger(site))
    show(facts, lambda: ledger_text(facts), as_json=as_json)


@main.command(epilog="Example: wxfly forget")
def forget() -> None:
    """Forget the windows chosen in earlier answers, so that none of them stays first; the ledger keeps its record."""
    from wxfly.question.verification import forget_choices

    say(forget_choices())


@main.command(epilog="Example: wxfly observed meadow --units aviation")
@click.argument("site", required=False, shell_complete=OFFERS["saved site"])
@click.option("--model", metavar="MODEL", help="The one forecast model to ask.  [default: chosen by place]")
@showing_units
@click.option("--offline", is_flag=True, help="Use only what is already on this machine.")
@as_json
def observed(site: str | None, model: str | None, units: str | None, offline: bool, as_json: bool) -> None:
    """Is the forecast right this morning? Set the latest airport report near SITE beside the forecast of its hour."""
    from wxfly.question.verification import ask_observed
    from wxfly.report.command_facts.verification import observed_facts
    from wxfly.report.text.verification import observed_text

    facts = observed_facts(ask_observed(site, model=model, offline=offline, on_progress=tell_progress))
    words = partial(observed_text, facts, units=units or load_settings().units, width=width())
    show(facts, words, as_json=as_json)
