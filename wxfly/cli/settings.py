"""What a pilot keeps so that nothing is typed twice: setup, settings, set, plans, sites, aircraft, rules."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict
from functools import partial
from typing import Any

import click

from wxfly.cli.options import OFFERS, as_json, planning, saved_sites, showing_units, usually
from wxfly.cli.program import ask, main, print_data, say, show
from wxfly.errors import WxflyError
from wxfly.pilot.aircraft import find_aircraft, load_aircraft
from wxfly.pilot.options import OPTIONS, Words, kept_values, read_words, written
from wxfly.pilot.own_files import check_name, damage_notes
from wxfly.pilot.rules import find_rules, load_rules
from wxfly.pilot.settings import (
    find_plan,
    load_settings,
    own_aircraft_file,
    own_rules_file,
    plans_file,
    read_plans,
    remove_plan,
    sites_file,
)
from wxfly.report.text import console
from wxfly.report.text.console import aligned
from wxfly.units import SYSTEMS

HOME_NAME = "home"
"""Name of the site that setup saves for a home given by its coordinates."""


@main.command(epilog="Example: wxfly setup")
def setup() -> None:
    """Ask five questions and keep the answers: home place, aircraft, units, rules, usual height.

    Enter keeps the value in brackets. Nothing is written before the last answer.
    """
    from wxfly.question.settings import keep_settings, keep_site, settings_in_force
    from wxfly.report.text.own_lists import saved_site_text

    now = {row.key: row.value for row in settings_in_force(None, None)}
    home = load_settings().home or next(iter(saved_sites()), "none")
    new_home = _asked("Home place: a saved site, LATITUDE,LONGITUDE or a place name", home, _home)
    answers: dict[str, str | None] = {}
    questions = {
        "aircraft": f"Aircraft, one of {', '.join(load_aircraft(own_aircraft_file()))}",
        "units": "Units: metric, imperial or aviation",
        "rules": f"Rules, one of {', '.join(load_rules(own_rules_file()))}",
        "height": "Usual flight height above ground",
    }
    for key, text in questions.items():
        if key == "height":
            text += f", a number alone is in {SYSTEMS[answers['units'] or 'metric']['height']}"
        answers[key] = _asked(text, now[key], partial(_tried, answers, key))
    kept = ", ".join(f"{key} {_with_unit(key, value, answers)}" for key, value in answers.items() if value)
    name, place = new_home
    kept = f"home {name}, {kept}" if name else kept
    if place:
        say(saved_site_text(keep_site(name, place)))
    keep_settings({**({"home": name} if name else {}), **answers})
    say(f"Saved: {kept}. See all with: wxfly settings")


def _asked(text: str, default: str, read: Callable[[str], Any]) -> Any:
    """Ask until the answer can be read."""
    while True:
        try:
            answer = ask(text, default)
        except click.Abort:
            say("")
            raise WxflyError("the answers ended early: nothing is written; start again with: wxfly setup") from None
        try:
            return read(answer)
        except WxflyError as fault:
            say(f"{fault}")


def _home(answer: str) -> tuple[str, str]:
    """Return the name of the home and, where it is to be saved, its place; two empty texts for no home."""
    from wxfly.pilot.site import parse_coordinates
    from wxfly.question.defaults import site_of
    from wxfly.retrieval.places import demo_sites, resolve_site

    answer = answer.strip()
    if answer == "none":
        return "", ""
    saved = saved_sites()
    saved.refuse_uncertain(answer, "the site")
    site = site_of(answer, {**demo_sites(), **saved})
    if site is not None:
        return site.name, ""
    found = resolve_site(answer, saved=saved)
    say(f"found {found.name}: {found.latitude:.4f},{found.longitude:.4f}, {found.time_zone}")
    name = answer
    if parse_coordinates(answer):
        name = found.name if HOME_NAME in saved else HOME_NAME
    check_name(name)
    return name, answer


def _with_unit(key: str, value: str, answers: dict[str, str | None]) -> str:
    return str(OPTIONS[key].kind.with_unit(value, answers.get("units") or "metric"))


def _tried(before: dict[str, str | None], key: str, answer: str) -> str:
    """Return an answer that can be kept with those before it."""
    from wxfly.question.question import check_words

    units = before.get("units") or "metric"
    given = {name: value for name, value in before.items() if value is not None} | {key: answer}
    words = {name: OPTIONS[name].kind.parse(name, value) for name, value in given.items()}
    check_words(Words(**{name: OPTIONS[name].kind.with_unit(word, units) for name, word in words.items()}))
    return answer


@main.command(epilog="Example: wxfly settings meadow --plan roof")
@click.argument("site", required=False)
@click.option("--plan", metavar="NAME", help="With what this saved plan says.")
@click.option("--json", "as_json", is_flag=True, help="Print a list of key, value and source as JSON.")
def settings(site: str | None, plan: str | None, as_json: bool) -> None:
    """List every setting in force and where it comes from: environment, file, SITE, plan or default."""
    from wxfly.question.settings import settings_in_force

    rows = settings_in_force(site, plan)
    if as_json:
        _print_json([asdict(row) for row in rows])
        return
    table = aligned([("setting", "from", "value"), *((row.key, row.source, row.value or "-") for row in rows)])
    say("\n".join([table, *damage_notes(load_settings().set_aside)]))


@main.command("set", epilog="Example: wxfly set height 60m")
@click.argument("key")
@click.argument("values", nargs=-1, metavar="[VALUE]...")
@click.option("--remove", is_flag=True, help="Take KEY out, so that its default counts again.")
def set_one(key: str, values: tuple[str, ...], remove: bool) -> None:
    """Change the setting KEY to VALUE in config.toml; everything else in the file stays.

    Of a setting that takes several, such as limit, give all: those in the file are replaced.
    """
    if remove == bool(values):
        raise click.UsageError("give a VALUE, or --remove")
    from wxfly.question.settings import joined_values, keep_setting, looser_limits, settings_in_force

    before = {row.key: row for row in settings_in_force(None, None)}
    changed = keep_setting(key, None if remove else joined_values(key, values))
    row = next(row for row in settings_in_force(None, None) if row.key == changed)
    beaten = "" if remove or row.source != "environment" else "; the environment goes before the file"
    old = before[changed]
    is_replaced = not remove and old.source == "file" and old.value != row.value
    was = f"; it was {old.value}" if is_replaced else ""
    lines = [f"{row.key} = {row.value or 'none'} ({row.source}){beaten}{was}"]
    if changed in ("limit", "launch_limit", "aircraft", "rules"):
        lines += [f"Mind: {words}" for words in looser_limits()]
    say("\n".join(lines))


@main.group(
    invoke_without_command=True,
    subcommand_metavar="[COMMAND] [ARGS]...",
    epilog="Example: wxfly plans add roof --aircraft camera-quad-250g --height 60m --limit gust=8m/s",
)
@click.option("--json", "as_json", is_flag=True, help="Print the plans as JSON.")
@click.pass_context
def plans(ctx: click.Context, as_json: bool) -> None:
    """List the saved plans; add, show or remove one. Any question takes one with --plan NAME."""
    if ctx.invoked_subcommand is not None:
        return
    saved = read_plans(plans_file())
    if as_json:
        _print_json({name: kept_values(words) for name, words in saved.items()})
        return
    rows = [(name, _in_one_line(words)) for name, words in saved.items()]
    table = (
        aligned([("plan", "says"), *rows]) if rows else "No plan is saved; save one with: wxfly plans add NAME OPTIONS"
    )
    say("\n".join([table, *damage_notes(saved.set_aside)]))


@plans.command("add", epilog="Example: wxfly plans add roof --height 60m --duration 30min --limit gust=8m/s")
@click.argument("name")
@click.option("--replace", is_flag=True, help="In place of the plan that has this name.")
@planning
def add_plan(name: str, replace: bool, **options: Any) -> None:
    """Save the options of a question as the plan NAME."""
    from wxfly.question.settings import keep_plan

    keep_plan(name, read_words(options), replaces=replace)
    say(f"saved plan {name}: {_in_one_line(find_plan(plans_file(), name))}; use it with: wxfly best --plan {name}")


@plans.command("show", epilog="Example: wxfly plans show roof")
@click.argument("name")
@click.option("--json", "as_json", is_flag=True, help="Print the plan as JSON.")
def show_plan(name: str, as_json: bool) -> None:
    """Show what the plan NAME says."""
    values = kept_values(find_plan(plans_file(), name))
    if as_json:
        _print_json(values)
    else:
        say(aligned([(key, written(value)) for key, value in values.items()]))


@plans.command("remove", epilog="Example: wxfly plans remove roof")
@click.argument("name")
def forget_plan(name: str) -> None:
    """Forget the plan NAME."""
    remove_plan(plans_file(), name)
    say(f"removed plan {name}")


def _in_one_line(words: Words) -> str:
    return ", ".join(f"{key} {written(value)}" for key, value in kept_values(words).items())


def _print_json(value: Any) -> None:
    print_data(f"{console.as_json(value)}\n".encode("utf-8", "backslashreplace"))


# --- what a question can name: sites, aircraft, rule sets -------------------------------------------------------------


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
    from wxfly.report.command_facts.own_lists import sites_facts
    from wxfly.report.text.own_lists import sites_text
    from wxfly.retrieval.places import demo_sites

    saved, invented = saved_sites(), demo_sites().values()
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
@click.argument("name", shell_complete=OFFERS["saved site"])
def forget_site(name: str) -> None:
    """Forget the saved site NAME."""
    from wxfly.pilot.site import remove_site

    remove_site(sites_file(), name)
    say(f"removed {name}")


@main.command(epilog="Example: wxfly aircraft camera-quad-250g")
@click.argument("name", required=False, shell_complete=OFFERS["aircraft"])
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
@click.argument("name", required=False, shell_complete=OFFERS["rules"])
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
