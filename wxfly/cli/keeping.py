"""What is on this machine: forecasts kept, sites, aircraft, rule sets; and the schema of what is printed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from wxfly.cli import completion
from wxfly.cli.options import as_json, showing_units, usually
from wxfly.cli.program import main, print_data, print_json, say, tell_progress
from wxfly.pilot.options import read_words


@main.command(epilog="Example: wxfly fetch 52.1,6.9 --model icon_d2")
@click.argument("sites", nargs=-1, metavar="[SITE ...]", shell_complete=completion.saved_sites)
@click.option("--model", metavar="MODEL", help="The one forecast model to ask.  [default: chosen by place]")
def fetch(sites: tuple[str, ...], model: str | None) -> None:
    """Fetch the newest forecast for SITE, or for every saved site, and keep it for use offline."""
    from wxfly.cli import own_lists

    for line in own_lists.fetch(list(sites), model, on_progress=tell_progress):
        say(line)


@main.group(
    invoke_without_command=True,
    subcommand_metavar="[COMMAND] [ARGS]...",
    epilog="Example: wxfly sites add meadow 52.1,6.9 --surface-cover open",
)
@as_json
@click.pass_context
def sites(ctx: click.Context, as_json: bool) -> None:
    """List the saved sites; add or remove one, or set its defaults."""
    if ctx.invoked_subcommand is not None:
        return
    from wxfly.cli import own_lists

    if as_json:
        print_json(own_lists.sites())
    else:
        say(own_lists.list_sites())


@sites.command("add", epilog="Example: wxfly sites add meadow 52.1,6.9 --surface-cover open")
@click.argument("name")
@click.argument("place")
@click.option(
    "--surface-altitude",
    metavar="HEIGHT",
    help="Ground above mean sea level, such as 45m; asked for when left out.  [without unit: m]",
)
@click.option(
    "--surface-cover",
    metavar="CLASS",
    help="What the ground upwind looks like: sea, smooth, open, roughly_open, rough, very_rough, closed, chaotic.",
)
@click.option("--time-zone", metavar="ZONE", help="IANA time zone; worked out from the place when left out.")
@click.option("--replace", "replace_site", is_flag=True, help="Move the saved site of this name to PLACE.")
@click.option("--offline", is_flag=True, help="Do not ask for altitude or place name.")
def add_site(name: str, place: str, **options: Any) -> None:
    """Save PLACE (LATITUDE,LONGITUDE or a place name) as NAME."""
    from wxfly.cli import own_lists

    say(own_lists.add_site(name, place, **options))


@sites.command("set", epilog="Example: wxfly sites set meadow --height 80m --rules eu_open")
@click.argument("name")
@click.option("--remove", "removed", multiple=True, metavar="KEY", help="Take this default out again.")
@usually
def set_site(name: str, removed: tuple[str, ...], **options: Any) -> None:
    """Set what questions about the saved site NAME take where neither they nor their plan say it."""
    from wxfly.cli import own_lists

    say(own_lists.set_site(name, read_words(options), removed))


@sites.command("remove", epilog="Example: wxfly sites remove meadow")
@click.argument("name", shell_complete=completion.saved_sites)
def remove_site(name: str) -> None:
    """Forget the saved site NAME."""
    from wxfly.cli import own_lists

    say(own_lists.remove_site(name))


@main.group("store", epilog="Example: wxfly store list --check")
def stored_forecasts() -> None:
    """List, show, prune, export or clear the forecasts that are kept on this machine."""


@stored_forecasts.command("list", epilog="Example: wxfly store list --check")
@click.option("--check", is_flag=True, help="Read every file and compare it with its checksum.")
@as_json
def list_store(check: bool, as_json: bool) -> None:
    """List the stored forecasts: place, model, run, when kept, size."""
    from wxfly.cli import store_tasks
    from wxfly.pilot.settings import sites_file

    if as_json:
        print_json(store_tasks.store(sites_file(), check=check))
    else:
        say(store_tasks.list_store(sites_file(), check=check))


@stored_forecasts.command("show", epilog="Example: wxfly store show meadow --model icon_d2")
@click.argument("site", required=False, shell_complete=completion.saved_sites)
@click.option("--model", metavar="MODEL", help="Of this model.")
@click.option("--run", metavar="RUN", help="Of this run, as the list writes it.")
def show_stored(site: str | None, model: str | None, run: str | None) -> None:
    """Show the newest stored forecast of SITE, saved or LATITUDE,LONGITUDE; without one, the store as a whole."""
    from wxfly.cli import store_tasks
    from wxfly.pilot.settings import sites_file

    if site is None:
        say(store_tasks.describe_store())
    else:
        say(store_tasks.describe_forecast(site, sites_file(), model=model, run=run))


@stored_forecasts.command("prune", epilog="Example: wxfly store prune --days 7 --damaged")
@click.option("--days", type=click.FloatRange(0), help="Remove what was kept longer ago.  [default: of the settings]")
@click.option(
    "--megabytes", type=click.FloatRange(0), help="Remove the oldest until the rest fits.  [default: of the settings]"
)
@click.option("--damaged", is_flag=True, help="Also remove forecasts that are damaged or of a newer wxfly.")
@click.option("--dry-run", is_flag=True, help="Only name what would be removed.")
def prune_store(days: float | None, megabytes: float | None, damaged: bool, dry_run: bool) -> None:
    """Remove old and surplus forecasts; a file that wxfly did not write is named and stays."""
    from wxfly.cli import store_tasks

    say(store_tasks.prune(days=days, megabytes=megabytes, damaged=damaged, dry_run=dry_run))


@stored_forecasts.command("export", epilog="Example: wxfly store export forecasts-of-may meadow")
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@click.argument("sites", nargs=-1, metavar="[SITE ...]", shell_complete=completion.saved_sites)
@click.option("--model", metavar="MODEL", help="Only of this model.")
def export_stored(folder: Path, sites: tuple[str, ...], model: str | None) -> None:
    """Copy the newest stored forecast of each SITE (all places without one) into FOLDER, as netCDF."""
    from wxfly.cli import store_tasks
    from wxfly.pilot.settings import sites_file

    say(store_tasks.export(folder, sites, sites_file(), model=model))


@stored_forecasts.command("clear", epilog="Example: wxfly store clear --yes")
@click.option("--yes", "certain", is_flag=True, help="Really do it.")
def clear_store(certain: bool) -> None:
    """Remove every stored forecast and reply."""
    from wxfly.cli import store_tasks

    say(store_tasks.clear(certain=certain))


@main.command(epilog="Example: wxfly aircraft camera-quad-250g")
@click.argument("name", required=False, shell_complete=completion.aircraft)
@showing_units
@as_json
def aircraft(name: str | None, units: str | None, as_json: bool) -> None:
    """List the aircraft, or show the limits of NAME and where each is from."""
    from wxfly.cli import own_lists

    if as_json:
        print_json(own_lists.aircraft(name))
    else:
        say(own_lists.describe_aircraft(name, units or own_lists.usual_units()))


@main.command(epilog="Example: wxfly rules eu_open")
@click.argument("name", required=False, shell_complete=completion.rules)
@as_json
def rules(name: str | None, as_json: bool) -> None:
    """List the rule sets, or show the limits of NAME and where each stands."""
    from wxfly.cli import own_lists

    if as_json:
        print_json(own_lists.rules(name))
    else:
        say(own_lists.describe_rules(name))


@main.command("schema", epilog="Example: wxfly schema answer")
@click.argument("name", default="answer", shell_complete=completion.schemas)
def print_schema(name: str) -> None:
    """Print the JSON Schema of what --json prints: NAME is answer, or the command, such as why, sites or ledger."""
    import json

    from wxfly.report.schemas import schema_of

    print_data(f"{json.dumps(schema_of(name), indent=1)}\n".encode())
