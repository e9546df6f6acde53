"""Write the generated reference pages: the command line, settings, elements, aircraft and forecast variables.

Run as ``python docs/generate_reference.py``; a test compares what it would write with what is committed.
"""

from __future__ import annotations

import json
import os
import textwrap
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import click

from wxfly.cli import main
from wxfly.cli.program import ExitCode, full_help
from wxfly.cube.contract import VARIABLES
from wxfly.pilot.aircraft import load_aircraft
from wxfly.pilot.elements import ELEMENTS, REQUIRED_BY_DEFAULT, RETURN_LEG
from wxfly.pilot.limit_rules import LIMIT_RULES
from wxfly.pilot.options import OPTIONS, Option, Quantity, options_of, read_words, usual_options
from wxfly.pilot.rules import STANDINGS, load_rules
from wxfly.pilot.services import SERVICES
from wxfly.pilot.settings import Settings
from wxfly.question.ask import ask
from wxfly.report import schemas
from wxfly.report.facts.answer import facts_of
from wxfly.report.facts.values import units_of
from wxfly.report.formats import to_json

REFERENCE = Path(__file__).parent / "reference"
KEYWORDS = Path(__file__).parents[1] / "wxfly" / "library" / "keywords.py"
NOTE = "<!-- Written by docs/generate_reference.py; change the code, not this page. -->\n"


def commands(group: click.Group, path: str) -> list[tuple[str, click.Command, click.Context]]:
    """Return every command below a group, with its full name."""
    found: list[tuple[str, click.Command, click.Context]] = []
    context = click.Context(group, info_name=path, **main.context_settings)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        assert command is not None
        full = f"{path} {name}"
        found.append((full, command, click.Context(command, info_name=name, parent=context)))
        if isinstance(command, click.Group):
            found += commands(command, full)
    return found


def command_line() -> str:
    """Return the page of the command line."""
    parts = [NOTE, "# Command line\n"]
    # With the program's own settings: click keeps the help option of whoever asks for it first.
    context = click.Context(main, info_name="wxfly", **main.context_settings)
    parts.append(f"```text\n{main.get_help(context)}\n```\n")
    for name, _, below in commands(main, "wxfly"):
        below.max_content_width = 100
        parts.append(f"## {name}\n\n```text\n{full_help(below)}\n```\n")
    parts.append(exit_codes())
    return "\n".join(parts)


def keywords() -> str:
    """Return the module of the library's keywords: the options of the questions, typed."""
    every = [o for o in OPTIONS.values() if all(o in options_of(kind) for kind in ("best", "compare", "week", "now"))]
    of_day, of_days, of_now = ([o for o in options_of(kind) if o not in every] for kind in ("best", "week", "now"))
    parts = [
        '"""The keywords of a question, typed; written by docs/generate_reference.py from wxfly/pilot/options.py."""\n',
        "from __future__ import annotations\n",
        "from collections.abc import Mapping, Sequence\nfrom datetime import date, datetime\nfrom pathlib import Path\n"
        "from typing import TypedDict\n",
        "import numpy as np\n",
    ]
    text = (
        "What every question may say; each may be left out, and None leaves it out too.\n\n    A number is in SI units,"
        " whatever `units` says; a text has its unit, and one without a unit is read in that of\n    `units`, as on the"
        " command line."
    )
    parts += [_keywords("Keywords", "TypedDict", text, every)]
    parts += [_keywords("KeywordsOfDay", "Keywords", "Those of a question about one day.", of_day)]
    parts += [_keywords("KeywordsOfDays", "Keywords", "Those of a question about several days.", of_days)]
    parts += [_keywords("KeywordsOfNow", "Keywords", "Those of a question about the time from now on.", of_now)]
    return "\n".join(parts)


def _keywords(name: str, base: str, text: str, options: list[Option]) -> str:
    lines = [f"\nclass {name}({base}, total=False):", f'    """{text}\n', "    Attributes", "    ----------"]
    for option in options:
        unit = f" [{option.kind.si}]" if isinstance(option.kind, Quantity) else ""
        default = f" By default {option.default}." if option.default else ""
        words = f"{option.help.removesuffix('.')}{unit}.{default}"
        lines += [f"    {option.name} : {option.kind.type_hint}"]
        lines += textwrap.wrap(words, 120, initial_indent=" " * 8, subsequent_indent=" " * 8)
    lines += ['    """\n', *(f"    {option.name}: {option.kind.type_hint} | None" for option in options)]
    return "\n".join(lines) + "\n"


def exit_codes() -> str:
    """Return the section of the exit codes."""
    rows = ["## Exit codes\n", "| code | meaning | given |", "| --- | --- | --- |"]
    for code in ExitCode:
        given = "with `--exit-code`" if code.is_asked_for else "always"
        rows.append(f"| {int(code)} | {code.meaning} | {given} |")
    return "\n".join([*rows, "", "How to use them: [in scripts](../how-to/scripts.md).\n"])


def elements() -> str:
    """Return the page of the elements."""
    rows = ["| element | how demand and limit compare | SI unit | by default |", "| --- | --- | --- | --- |"]
    for element in ELEMENTS:
        kind = "required" if element.name in REQUIRED_BY_DEFAULT else "advised"
        rows.append(
            f"| `{element.name}` ({element.title}) | {LIMIT_RULES[element.sense].meaning} | {element.units} | {kind} |"
        )
    sortie = (
        f"`{RETURN_LEG.name}` ({RETURN_LEG.title}) is judged beside them where a sortie is asked for, and then "
        "required: the share of a battery that it takes, reserve included, at most 1."
    )
    return "\n".join([NOTE, "# Elements\n", *rows, "", sortie, ""])


def aircraft() -> str:
    """Return the page of the aircraft classes."""
    parts = [NOTE, "# Aircraft classes\n", "Figures are typical of the class; your maker's manual prevails.\n"]
    for one in load_aircraft().values():
        parts.append(f"## {one.name}\n\n{one.title}\n")
        parts.append("| figure | SI value | source |\n| --- | --- | --- |")
        for key, source in one.sources.items():
            parts.append(f"| {key} | {getattr(one, key):.4g} | {source} |")
        parts.append("")
    return "\n".join(parts)


def forecast_variables() -> str:
    """Return the page of the forecast cube's variables."""
    rows = ["| variable | unit | CF standard name | a stamp speaks for | heights |", "| --- | --- | --- | --- | --- |"]
    for row in VARIABLES.values():
        begin, end = row.covers_hours
        span = "the instant" if begin == end else f"{begin:+g} to {end:+g} h"
        standard, heights = row.standard_name or "(none)", "yes" if row.has_height else ""
        rows.append(f"| `{row.name}` | {row.units} | {standard} | {span} | {heights} |")
    return "\n".join([NOTE, "# Variables of the forecast cube\n", *rows, ""])


def settings() -> str:
    """Return the page of the settings."""
    default = Settings()
    file = [
        ("home", '"Kelderness"', "the site of a question that names none; by default the first saved one"),
        ("aircraft", f'"{OPTIONS["aircraft"].default}"', "and any other option of a question, listed below"),
        ("height", '"60m"', "a quantity has its unit"),
        ("model", '"icon_eu"', "one model for every place; by default chosen by place and hours"),
        ("ensemble", '"none"', "no members, or the names of ensembles; by default chosen likewise"),
        (
            "contact",
            '"you@example.org"',
            "sent to the services, so that they can reach you; by default nobody is named",
        ),
        ("patience_seconds", f"{default.patience_seconds:g}", "how long one question to one service may take [s]"),
    ]
    store = [
        ("maximum_age_days", f"{default.maximum_age_days:g}", "older forecasts go when a new one comes [days]"),
        ("maximum_megabytes", f"{default.maximum_megabytes:g}", "how much the store may hold [MB]"),
    ]
    environment = [
        ("WXFLY_CONFIG", "folder of the settings and of your own files"),
        ("WXFLY_CACHE", "folder of the store"),
        ("WXFLY_PATIENCE", "as `patience_seconds`"),
        ("WXFLY_MODEL", "as `model`"),
        ("WXFLY_ENSEMBLE", "as `ensemble`"),
        ("WXFLY_FORECAST_KEY", "key of a customer of the forecast service ([more](sources.md#a-key))"),
        *((f"WXFLY_{name.upper()}_URL", f"as `{name}` under `[sources]`") for name in SERVICES),
    ]
    lines = [
        NOTE,
        "# Settings\n",
        "wxfly needs none. `config.toml` lies in the configuration folder"
        " ([where](../how-to/install.md#where-files-lie)). Every key may be left out; a key that is not known is an"
        " error that names the nearest one. The environment goes before the file, the file before the defaults.\n",
        "```toml",
        "# config.toml",
        *_toml(file),
        "",
        "[store]",
        *_toml(store),
        "",
        "[sources]  # addresses, for a mirror or a server of your own: https, or http on this machine",
        *(f'{row.name} = "{row.address}"' for row in SERVICES.values()),
        "```\n",
        "`wxfly set KEY VALUE` changes one key, `wxfly settings` lists all ([how](../how-to/set-up.md)). The options"
        " below may stand above the tables, and in `sites.toml` under `[NAME.defaults]` of a site. A plan in"
        " `plans.toml` may say these and every other option.\n",
        "| key | option | meaning |",
        "| --- | --- | --- |",
        *(f"| `{one.key}` | `--{one.flag}` | {one.help} |" for one in usual_options()),
        "",
        "| in the environment | meaning |",
        "| --- | --- |",
        *(f"| `{name}` | {words} |" for name, words in environment),
        "",
    ]
    return "\n".join(lines)


def services() -> str:
    """Return the page of the services that are asked."""
    rows = ["| service | what for | what is sent | terms | under `[sources]` |", "| --- | --- | --- | --- | --- |"]
    for row in SERVICES.values():
        rows.append(f"| {row.title} | {row.provides} | {row.sends} | {row.terms} | `{row.name}` |")
    return "\n".join([NOTE, "# Services\n", *rows, ""])


def _toml(rows: list[tuple[str, str, str]]) -> list[str]:
    return [f"{f'{key} = {value}':<29} # {words}" for key, value, words in rows]


def shown(value: object, indent: str = "") -> str:
    """Return JSON for people: a list of plain values on one line, everything else one key to a line."""
    inner = indent + " "
    if isinstance(value, dict) and value:
        lines = [f"{inner}{json.dumps(key)}: {shown(one, inner)}" for key, one in value.items()]
        return "{\n" + ",\n".join(lines) + f"\n{indent}}}"
    if isinstance(value, list) and any(isinstance(one, dict) for one in value):
        return "[\n" + ",\n".join(inner + shown(one, inner) for one in value) + f"\n{indent}]"
    return json.dumps(value, ensure_ascii=False)


@cache
def words_of() -> dict[str, list[str]]:
    """Return the words of every part that is one of several words."""
    defined = [schemas.schema(whole)["$defs"] for whole in schemas.WHOLES.values()]
    return {name: node["enum"] for of_whole in defined for name, node in of_whole.items() if "enum" in node}


PARTS = {name for whole in schemas.WHOLES.values() for name in schemas.parts(whole)}
"""Names of the parts of the tree, which have a table of their own."""


def kind_of(node: Mapping[str, Any]) -> str:
    """Return the kind of a value by its schema."""
    if "anyOf" in node:
        return " or ".join(kind_of(one) for one in node["anyOf"])
    if "$ref" in node:
        name = node["$ref"].rpartition("/")[2]
        if name in PARTS:
            return f"[{name}](#{name.lower()})"
        return "one of " + ", ".join(map(_code, node.get("enum") or words_of()[name]))
    if "enum" in node and node.get("type") != "string":
        return " or ".join(f"`{one}`" for one in node["enum"])
    if "enum" in node:
        return "element" if len(node["enum"]) == len(ELEMENTS) + 1 else "one of " + ", ".join(map(_code, node["enum"]))
    if node["type"] == "array":
        return f"list of ({kind_of(node['items'])})" if node.get("items") else _tuple_kind(node)
    if node["type"] == "object":
        return f"object of {node['additionalProperties']['type']}s by key"
    return {"date-time": "time", "date": "date"}.get(node.get("format", ""), node["type"])


def _tuple_kind(node: Mapping[str, Any]) -> str:
    return "list of " + ", ".join(kind_of(one) for one in node["prefixItems"])


def _code(word: object) -> str:
    return f"`{word}`"


def answer_json() -> str:
    """Return the page of the JSON answer, with a whole example from the demonstration."""
    lines = [NOTE, "# The answer as JSON\n", JSON_TEXT]
    units: dict[str, str] = {}
    definitions: dict[str, Any] = {}
    for whole in schemas.WHOLES.values():
        units |= units_of(whole)
        made = schemas.schema(whole)["$defs"]
        definitions |= {name: made[name] for name in schemas.parts(whole) if name not in definitions}
    for name, node in definitions.items():
        lines += [
            f"## {name}\n",
            f"{node['description']}\n",
            "| key | kind | unit | meaning |",
            "| --- | --- | --- | --- |",
        ]
        for key, value in node["properties"].items():
            lines.append(f"| `{key}` | {kind_of(value)} | {units.get(key, '')} | {value['description']} |")
        lines.append("")
    asked = ask("best", ["Kelderness"], read_words({}), on_progress=lambda _: None)
    example = json.loads(to_json(facts_of(asked.briefing, asked.question)))
    lines += [
        "## A whole example\n",
        "`wxfly best Kelderness --json`, of the demonstration: place and weather are invented. The program prints it on"
        " one line; here every key has its own.\n",
        f"```json\n{shown(example)}\n```\n",
    ]
    return "\n".join(lines)


JSON_TEXT = """`wxfly best --json`, `wxfly compare --json`, `wxfly week --json` and `wxfly now --json` print one object.
`wxfly.report.facts.answer.facts_of()` returns its facts as typed values, `wxfly.report.formats.to_json()` the text, and
`wxfly.report.schemas.schema()` the JSON Schema (draft 2020-12), which is made from the types. This page is made from
them too. `wxfly brief --json` prints [BriefFacts](#brieffacts) and `wxfly check --json` [CheckFacts](#checkfacts), each
with the answer in it; a day without a window has no brief, and the answer alone is printed. `wxfly why --json` prints
[OneHourFacts](#onehourfacts), `wxfly where --json` [WhereFacts](#wherefacts),
`wxfly fleet --json` [FleetFacts](#fleetfacts), `wxfly watch --json` [WatchFacts](#watchfacts).
Lists and looks back have facts too: [sites](#sitesfacts),
[aircraft](#aircraftlistfacts), [rules](#rulesfacts), [store list](#storefacts),
[verify](#verificationfacts), [ledger](#ledgerfacts), [observed](#observedfacts). `wxfly schema NAME` prints the schema
of each.

- SI units. `units` gives the unit of every quantity by its key. `demand`, limits and `amount` are in the `unit` of
  their element.
- Times are UTC, ISO 8601 with `Z`, to the second. The site's time zone is given.
- Hours stand in columns: `hours` and `elements` hold one list for each quantity, all of one length. What is the same in
  every hour stands once.
- `null` is a thing that is unknown or does not exist. It is never zero, never false and never calm. `unknown` says why
  what is unknown is null.
- Read `invented`, `notes` and every site's `not_known` before the windows, and show `cautions` and the forecasts'
  `attribution` to whoever reads what you make of it.
- `schema_version` rises when a key changes its meaning or goes. A new key alone does not raise it, so let your reader
  pass over keys that it does not know. 3: one tree of facts, hours in columns, units in one table.
- The bytes are UTF-8, whatever the console speaks. Names come from pilots and place lists and may hold any character:
  escape them where you show them. What a terminal would act on stands as `\\uXXXX`, so nothing is lost.

What an *element* is, is on the [page of the elements](elements.md); how sure a chance is, on
[that of chances](../explanation/chance.md). Every answer starts at [AnswerFacts](#answerfacts).
"""


def rules() -> str:
    """Return the page of the rule sets."""
    parts = [
        NOTE,
        "# Rule sets\n",
        "Local rules prevail over every figure here. What is law has its paragraph and the day on which it was read;"
        " where the text gives no figure, the line is a caution of wxfly. How to choose and make a set:"
        " [rules](../how-to/rules.md).\n",
    ]
    for name, rule_set in load_rules().items():
        parts.append(f"## {name}: {rule_set.title}\n\n{rule_set.reminder}\n")
        for standing, words in STANDINGS.items():
            rows = [
                f"| `{key}` | {limit.written} | {limit.paragraph or 'none'} | {limit.read} | {limit.note} |"
                for key, limit in rule_set.limits.items()
                if limit.standing == standing
            ]
            if rows:
                head = "| limit | value | paragraph | read | note |\n|---|---|---|---|---|\n"
                parts.append(f"{words}:\n\n{head}" + "\n".join(rows) + "\n")
    return "\n".join(parts)


PAGES = {
    "answer-json.md": answer_json,
    "command-line.md": command_line,
    "settings.md": settings,
    "services.md": services,
    "elements.md": elements,
    "aircraft.md": aircraft,
    "rules.md": rules,
    "forecast-variables.md": forecast_variables,
}

if __name__ == "__main__":
    REFERENCE.mkdir(exist_ok=True)
    with TemporaryDirectory() as folder:
        os.environ |= {"WXFLY_CONFIG": folder, "WXFLY_CACHE": folder}  # not what the writer has saved
        for name, page in PAGES.items():
            (REFERENCE / name).write_text(page(), encoding="utf-8", newline="\n")
            print(f"wrote {name}")
    KEYWORDS.write_text(keywords(), encoding="utf-8", newline="\n")
    print(f"wrote {KEYWORDS.name}")
