"""Forecasts kept on this machine: fetch, and store with list, show, prune, export and clear."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import click

from wxfly.cli.options import OFFERS, as_json, saved_sites
from wxfly.cli.program import main, say, show, tell_progress
from wxfly.errors import DamagedError, WxflyError
from wxfly.pilot.own_files import damage_notes
from wxfly.pilot.settings import load_settings


@main.command(epilog="Example: wxfly fetch 52.1,6.9 --model icon_d2")
@click.argument("sites", nargs=-1, metavar="[SITE ...]", shell_complete=OFFERS["saved site"])
@click.option("--model", metavar="MODEL", help="The one forecast model to ask.  [default: chosen by place]")
def fetch(sites: tuple[str, ...], model: str | None) -> None:
    """Fetch the newest forecast for SITE, or for every saved site, and keep it for use offline."""
    from wxfly.question.ask import fetch as fetch_forecasts

    obtained = fetch_forecasts(sites, model, on_progress=tell_progress)
    last = str(obtained.cube["time"].values[-1])[:16]
    for site in obtained.sites:
        say(f"{site.name}: {obtained.provenance.model}, hours to {last}Z, kept for use offline")
    for note in obtained.notes:
        say(note)


@main.group("store", epilog="Example: wxfly store list --check")
def stored_forecasts() -> None:
    """List, show, prune, export or clear the forecasts that are kept on this machine."""


@stored_forecasts.command("list", epilog="Example: wxfly store list --check")
@click.option("--check", is_flag=True, help="Read every file and compare it with its checksum.")
@as_json
def list_store(check: bool, as_json: bool) -> None:
    """List the stored forecasts: place, model, run, when kept, size."""
    from wxfly.report.command_facts.own_lists import store_facts
    from wxfly.report.text.own_lists import store_text

    facts = store_facts(saved_sites(), check=check)
    show(facts, lambda: store_text(facts), as_json=as_json)


@stored_forecasts.command("show", epilog="Example: wxfly store show meadow --model icon_d2")
@click.argument("site", required=False, shell_complete=OFFERS["saved site"])
@click.option("--model", metavar="MODEL", help="Of this model.")
@click.option("--run", metavar="RUN", help="Of this run, as the list writes it.")
def show_stored(site: str | None, model: str | None, run: str | None) -> None:
    """Show the newest stored forecast of SITE, saved or LATITUDE,LONGITUDE; without one, the store as a whole."""
    from wxfly.report.command_facts.own_lists import store_facts, stored_details
    from wxfly.report.text.own_lists import store_summary_text, stored_text
    from wxfly.store import forecasts
    from wxfly.times import utc_now

    saved = saved_sites()
    if site is None:
        say(store_summary_text(store_facts(saved), load_settings()))
        return
    stored = forecasts.stored_at(site, saved, model=model, run=run)[0]
    try:
        cube = forecasts.open_forecast(stored)
    except DamagedError as fault:
        raise WxflyError(f"{fault}; clear it with: wxfly store prune --damaged") from None
    say(stored_text(stored_details(stored, cube), utc_now()))


@stored_forecasts.command("prune", epilog="Example: wxfly store prune --days 7 --damaged")
@click.option("--days", type=click.FloatRange(0), help="Remove what was kept longer ago.  [default: of the settings]")
@click.option(
    "--megabytes", type=click.FloatRange(0), help="Remove the oldest until the rest fits.  [default: of the settings]"
)
@click.option("--damaged", is_flag=True, help="Also remove forecasts that are damaged or of a newer wxfly.")
@click.option("--dry-run", is_flag=True, help="Only name what would be removed.")
def prune_store(days: float | None, megabytes: float | None, damaged: bool, dry_run: bool) -> None:
    """Remove old and surplus forecasts; a file that wxfly did not write is named and stays."""
    from wxfly.report.command_facts.own_lists import store_facts
    from wxfly.report.text.own_lists import not_ours_lines, removed_lines
    from wxfly.store.pruning import prune_wanted

    settings = load_settings()
    if days is not None:
        settings = replace(settings, maximum_age_days=days)
    if megabytes is not None:
        settings = replace(settings, maximum_megabytes=megabytes)
    gone = prune_wanted(settings, damaged=damaged, dry_run=dry_run)
    left = store_facts({})
    lines = [*damage_notes(settings.set_aside), *removed_lines(gone, left, would=dry_run), *not_ours_lines(left)]
    say("\n".join(lines))


@stored_forecasts.command("export", epilog="Example: wxfly store export forecasts-of-may meadow")
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@click.argument("sites", nargs=-1, metavar="[SITE ...]", shell_complete=OFFERS["saved site"])
@click.option("--model", metavar="MODEL", help="Only of this model.")
def export_stored(folder: Path, sites: tuple[str, ...], model: str | None) -> None:
    """Copy the newest stored forecast of each SITE (all places without one) into FOLDER, as netCDF."""
    from wxfly.store.forecasts import export_newest

    paths = export_newest(folder, sites, saved_sites(), model=model)
    say("\n".join(f"wrote {path}" for path in paths) or "the store has nothing to export")


@stored_forecasts.command("clear", epilog="Example: wxfly store clear --yes")
@click.option("--yes", "certain", is_flag=True, help="Really do it.")
def clear_store(certain: bool) -> None:
    """Remove every stored forecast and reply."""
    from wxfly.report.command_facts.own_lists import store_facts
    from wxfly.report.text.own_lists import left_text, not_ours_lines, removed_lines
    from wxfly.store.pruning import clear_store as remove_all

    if not certain:
        facts = store_facts({})
        way = "to do it, add --yes"
        raise WxflyError(f"this removes every forecast and reply in {facts.folder}; {left_text(facts)}; {way}")
    gone = remove_all()
    left = store_facts({})
    say("\n".join([*removed_lines(gone, left), *not_ours_lines(left)]))
