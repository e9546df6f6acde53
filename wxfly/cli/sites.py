"""What a question can name: saved sites, aircraft, rule sets."""

from __future__ import annotations

from functools import partial
from typing import Any

import click

from wxfly.cli import completion
from wxfly.cli.options import as_json, showing_units, usually
from wxfly.cli.program import main, say, show
from wxfly.pilot.aircraft import find_aircraft, load_aircraft
from wxfly.pilot.options import read_words
from wxfly.pilot.rules import find_rules, load_rules
from wxfly.pilot.settings import load_settings, own_aircraft_file, own_rules_file, sites_file


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
    from wxfly.pilot.site import read_sites
    from wxfly.report.command_facts.own_lists import sites_facts
    from wxfly.report.text.own_lists import sites_text
    from wxfly.retrieval.places import demo_sites

    saved, invented = read_sites(sites_file()), demo_sites().values()
    facts = sites_facts([*saved.values(), *invented], saved.set_aside)
    show(facts, lambda: sites_text(saved, invented), as_json=as_json)


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
@click.option("--replace", "replaces", is_flag=True, help="Move the saved site of this name to PLACE.")
@click.option("--offline", is_flag=True, help="Do not ask for altitude or place name.")
def add_site(name: str, place: str, **options: Any) -> None:
    """Save PLACE (LATITUDE,LONGITUDE or a place name) as NAME."""
    from wxfly.question.settings import keep_site
    from wxfly.report.text.own_lists import saved_site_text

    say(saved_site_text(keep_site(name, place, **options)))


@sites.command("set", epilog="Example: wxfly sites set meadow --height 80m --rules eu_open")
@click.argument("name")
@click.option("--remove", "removed", multiple=True, metavar="KEY", help="Take this default out again.")
@usually
def set_site(name: str, removed: tuple[str, ...], **options: Any) -> None:
    """Set what questions about the saved site NAME take where neither they nor their plan say it."""
    from wxfly.question.settings import keep_defaults
    from wxfly.report.text.own_lists import defaults_text

    say(defaults_text(name, keep_defaults(name, read_words(options), removed)))


@sites.command("remove", epilog="Example: wxfly sites remove meadow")
@click.argument("name", shell_complete=completion.saved_sites)
def forget_site(name: str) -> None:
    """Forget the saved site NAME."""
    from wxfly.pilot.site import remove_site

    remove_site(sites_file(), name)
    say(f"removed {name}")


@main.command(epilog="Example: wxfly aircraft camera-quad-250g")
@click.argument("name", required=False, shell_complete=completion.aircraft)
@showing_units
@as_json
def aircraft(name: str | None, units: str | None, as_json: bool) -> None:
    """List the aircraft, or show the limits of NAME and where each is from."""
    from wxfly.report.command_facts.own_lists import aircraft_list_facts
    from wxfly.report.text.own_lists import aircraft_list_text, aircraft_text

    if name is None:
        table = load_aircraft(own_aircraft_file())
        facts, text = aircraft_list_facts(table.values(), table.set_aside), partial(aircraft_list_text, table)
    else:
        found = find_aircraft(name, own_aircraft_file())
        facts, text = aircraft_list_facts([found]), partial(aircraft_text, found)
    show(facts, lambda: text(units or load_settings().units), as_json=as_json)


@main.command(epilog="Example: wxfly rules eu_open")
@click.argument("name", required=False, shell_complete=completion.rules)
@as_json
def rules(name: str | None, as_json: bool) -> None:
    """List the rule sets, or show the limits of NAME and where each stands."""
    from wxfly.report.command_facts.own_lists import rules_facts
    from wxfly.report.text.own_lists import rules_list_text, rules_text

    if name is None:
        table = load_rules(own_rules_file())
        facts, text = rules_facts(table.values(), table.set_aside), rules_list_text(table)
    else:
        found = find_rules(name, own_rules_file())
        facts, text = rules_facts([found]), rules_text(found)
    show(facts, lambda: text, as_json=as_json)
