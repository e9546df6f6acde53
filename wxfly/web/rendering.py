"""Templates and the files that pages load: each file has an address that names its content, so it is kept for good."""

from __future__ import annotations

import gzip
import hashlib
import json
import os
import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from wxfly.pilot.aircraft import FIGURES
from wxfly.pilot.options import OPTIONS
from wxfly.pilot.settings import cache_folder, config_folder
from wxfly.report.charts import shades
from wxfly.report.pages import shell
from wxfly.report.pages.page import Charts, library_script
from wxfly.web.questions import NOT_OFFERED, SEE_COMMAND, label_of

_FOR_GOOD = "public, max-age=31536000, immutable"


def _own(name: str) -> bytes:
    return (files("wxfly") / "web" / "static" / name).read_bytes()


def _answer_style() -> bytes:
    return shell.resource("shell.css") + shell.resource("page.css") + shades.style().encode() + _own("web.css")


def _brief_style() -> bytes:
    return shell.resource("shell.css") + shell.resource("brief.css") + _own("web.css")


@dataclass(frozen=True)
class StaticFile:
    """A file that pages load.

    Attributes
    ----------
    content_type : str
        Its type.
    read : callable
        Reads it.
    """

    content_type: str
    read: Callable[[], bytes]


STATIC = {
    "plotly.js": StaticFile("text/javascript", library_script),
    "page.js": StaticFile("text/javascript", lambda: shell.resource("page.js")),
    "web.js": StaticFile("text/javascript", lambda: _own("web.js")),
    "answer.css": StaticFile("text/css", _answer_style),
    "brief.css": StaticFile("text/css", _brief_style),
    "map.js": StaticFile("text/javascript", lambda: _own("map.js")),
    "icon.svg": StaticFile("image/svg+xml", lambda: _own("icon.svg")),
}
"""Every file that a page may load, by name: no other is served, whatever the address says."""


@cache
def content(name: str) -> bytes:
    """Return the content of one of `STATIC`."""
    return STATIC[name].read()


@cache
def packed(name: str) -> bytes:
    """Return the same, compressed with gzip."""
    return gzip.compress(content(name), 6, mtime=0)


@cache
def address(name: str) -> str:
    """Return the address of one of `STATIC`, which changes with its content."""
    return f"/static/{hashlib.sha256(content(name)).hexdigest()[:20]}/{name}"


def static_file(name: str, digest: str, *, takes_gzip: bool) -> tuple[bytes, dict[str, str]] | None:
    """Return a file by the parts of its address, with its headers; None where that is the address of none."""
    if name not in STATIC or address(name) != f"/static/{digest}/{name}":
        return None
    headers = {"content-type": STATIC[name].content_type, "cache-control": _FOR_GOOD, "vary": "accept-encoding"}
    if takes_gzip:
        return packed(name), {**headers, "content-encoding": "gzip"}
    return content(name), headers


def worker_script() -> bytes:
    """Return the service worker. It is served from the root, as it may answer only for addresses below its own."""
    addresses = json.dumps([address(name) for name in STATIC])
    return _own("worker.js").replace(b"/* files */ []", addresses.encode())


def manifest() -> bytes:
    """Return the manifest with which a phone or a desktop keeps the page as a program."""
    icon = {"src": address("icon.svg"), "sizes": "any", "type": "image/svg+xml", "purpose": "any"}
    return json.dumps(
        {
            "name": "wxfly", "short_name": "wxfly", "start_url": "/", "scope": "/", "display": "standalone",
            "background_color": "#ffffff", "theme_color": "#6e2a4d", "icons": [icon],
        }
    ).encode()  # fmt: skip


def charts_data(charts: Charts) -> Markup:
    """Return charts as the JSON of an element of a page: nothing in it ends that element."""
    text = json.dumps(charts, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return Markup(text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026"))


_FORMS = {"sites": "places", "plan": "plans", "plans": "plans", "aircraft": "aircraft", "set": "settings",
          "settings": "settings", "setup": "settings"}  # fmt: skip
_COMMAND = re.compile(rf"wxfly ({'|'.join(_FORMS)})\b[^;.()]*")
_FLAG = re.compile(r"(?<![\w-])--([a-z][a-z-]*)")
_FOLDER = re.compile(r"(?<![\w/:.<])/(?:[^\s/<>]+/)+")
_WAY_BESIDE = re.compile(r"(?:--[a-z-]+|wxfly [a-z]+), or (\w+) on the page")
"""A way out by the command line, beside that on the page."""
_OWN_ENTRY = re.compile(r"^\S*aircraft\.toml: \[([^]]*)\] (\w*)")
_OFFERED = {option.flag: option.key for option in OPTIONS.values() if option.name not in NOT_OFFERED}
_FIELDS = re.compile(rf"\b({'|'.join(key for key in (*_OFFERED.values(), *FIGURES) if '_' in key)})\b")


def without_folders(text: str) -> str:
    """Return a message without the folders of this machine: a file is called by its name alone."""
    return _FOLDER.sub("", _without_own_folders(text))


def _without_own_folders(text: str) -> str:
    for folder in (config_folder(), cache_folder()):
        if folder.is_absolute() and len(folder.parts) > 2:  # one right below the root may be an address of the page too
            text = text.replace(f"{folder}{os.sep}", "").replace(str(folder), "of wxfly")
    return text


def in_words_of_forms(text: str) -> str:
    """Return a message of a command in words of the page.

    A way out by an option that no form has is left out, other options are called by the label of their field, and
    neither a folder of this machine nor the layout of a pilot's file is told.
    """
    parts = []
    for part in SEE_COMMAND.sub("", without_folders(text)).split("; "):
        ways = [way for way in part.split(", or ") if all(flag in _OFFERED for flag in _FLAG.findall(way))]
        parts += [", or ".join(ways)] if ways else []
    told = _FLAG.sub(lambda found: f"'{label_of(_OFFERED.get(found[1], found[1]))}'", "; ".join(parts) or text)
    told = _OWN_ENTRY.sub(lambda found: found[2] if found[2] in FIGURES else f"{found[1]} {found[2]}", told)
    return _FIELDS.sub(lambda found: label_of(found[1]), told)


def with_forms(text: str) -> str:
    """Escape a message; a command of the terminal in it that a form of the page stands for becomes a link to that."""
    text = in_words_of_forms(text)
    parts, end = [], 0
    for found in _COMMAND.finditer(text):
        name = _FORMS[found[1]]
        parts += [shell.escape(text[end : found.start()]), f'<a href="/{name}">{name.capitalize()}</a>']
        end = found.end()
    return "".join([*parts, shell.escape(text[end:])])


@cache
def _templates() -> Environment:
    made = Environment(
        loader=PackageLoader("wxfly.web"), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True,
    )  # fmt: skip
    made.globals.update(
        address=address, charts_data=charts_data, on_dark=json.dumps(shades.ON_DARK), in_sun=json.dumps(shades.IN_SUN)
    )
    # Escaped by the pages of the report themselves: <bdi> around names, numbers kept with their units.
    made.filters["written"] = lambda text: Markup(shell.escape(text))
    made.filters["told"] = lambda text: Markup(with_forms(text))
    made.filters["made"] = lambda text: Markup(_WAY_BESIDE.sub(r"'\1'", _without_own_folders(text)))  # by those pages
    return made


def render(template: str, **values: Any) -> str:
    """Return a page from a template; what it is given is escaped."""
    return _templates().get_template(template).render(**values)
