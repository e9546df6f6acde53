"""Text on its way out: nothing that moves a cursor, names that keep their direction, columns, and poor consoles."""

import json
import sys
import unicodedata

import pytest
import wcwidth
from hypothesis import given
from hypothesis import strategies as st

from wxfly.report.text import console

HEBREW, JAPANESE, EMOJI = "שדה תעופה (צפון) 7", "草原飛行場", "Hill 🏔️👨‍👩‍👧"
# What a terminal or a reader of writing direction acts on: ECMA-48 control functions, Unicode Standard Annex 9.
HOSTILE = "".join(map(chr, [*range(0x20), *range(0x7F, 0xA0), 0x200E, 0x200F, *range(0x202A, 0x202F)])) + (
    "\u2066\u2067\u2068\u2069\u2028\u2029\x1b[2J\x1b]8;;https://example.org/\x07x\x1b]8;;\x07\x1b]0;title\x1b\\"
)


def acted_on(text):
    """Return the characters of a text that a terminal would act on."""
    kept = "\n\N{ZERO WIDTH NON-JOINER}\N{ZERO WIDTH JOINER}"
    return {c for c in text if unicodedata.category(c) in ("Cc", "Cf", "Cs", "Zl", "Zp") and c not in kept}


def test_nothing_that_a_terminal_acts_on_leaves():
    for text in (console.clean(HOSTILE), console.outgoing(HOSTILE), console.isolated(HOSTILE)):
        assert not acted_on(text)
    assert not acted_on("\n".join(console.wrap(f"a {HOSTILE} b", 30)))
    assert not acted_on(console.aligned([("a", "b"), (HOSTILE, HOSTILE)]))
    assert console.outgoing("two\nlines") == "two\nlines"
    assert len(console.aligned([("two\nlines", HOSTILE)]).splitlines()) == 1


def test_json_loses_nothing_and_sends_nothing_that_acts():
    document = {"name": HOSTILE + HEBREW + JAPANESE + EMOJI + "\ud800"}
    text = console.as_json(document)
    assert json.loads(text) == document
    assert not acted_on(text)
    assert HEBREW in text and JAPANESE in text


@given(st.text())
def test_done_twice_it_changes_nothing(text):
    once = console.outgoing(text)
    assert console.outgoing(once) == once
    assert not acted_on(console.without_isolates(once))
    depth = 0
    for character in once:
        depth += {console.FIRST_STRONG_ISOLATE: 1, console.POP_ISOLATE: -1}.get(character, 0)
        assert depth in (0, 1)
    assert depth == 0


def test_names_from_the_right_are_isolated_and_others_are_not():
    assert console.isolated(HEBREW) == f"\u2068{HEBREW}\u2069"
    assert console.isolated(JAPANESE) == JAPANESE
    assert console.outgoing(f"{console.isolated(HEBREW)}, 60 m") == f"\u2068{HEBREW}\u2069, 60 m"
    assert console.outgoing("asking for שדה תעופה, 60 m") == "asking for \u2068שדה תעופה\u2069, 60 m"
    assert console.outgoing("\u2068Latin\u2069 \u2069x\u2068") == "Latin �x�"


def test_a_name_in_a_sentence_is_isolated_as_a_whole():
    name = f"{HEBREW} (צפון) 7"
    text = console.with_names_isolated(f"Best at {name}, then {HEBREW} and Moor.", [HEBREW, name, "Moor"])
    assert text == f"Best at \u2068{name}\u2069, then \u2068{HEBREW}\u2069 and Moor."
    assert console.outgoing(text) == text


def test_an_isolated_name_that_is_broken_is_whole_on_each_line():
    lines = console.wrap(f"Best {console.isolated('שדה תעופה ארוך מאוד')}, 60 m above ground", 16, rest="    ")
    assert len(lines) > 2
    for line in lines:
        assert line.count("\u2068") == line.count("\u2069")
        assert console.outgoing(line) == line


@pytest.mark.parametrize("encoding", ["utf-8", "cp1252", "ascii"])
@pytest.mark.parametrize("width", range(24, 60))
def test_a_number_never_parts_from_its_unit(encoding, width):
    text = "gust at 80 m, 9.1 of 10.7 m/s from SW (225°), 8 °C, up to 30 % for 1 h 20 min over 400 ft, 草原 12 km on"
    with console.showing(encoding):
        lines = console.wrap(text, width)
        assert " ".join(lines) == console.readable(text)
        assert max(map(wcwidth.width, lines)) <= width
    for line in lines[1:]:
        assert line.split()[0].rstrip(",") not in {"m", "m/s", "°C", "degC", "%", "h", "min", "ft", "km"}


@pytest.mark.parametrize("encoding", ["utf-8", "cp1252", "ascii"])
def test_columns_stand_below_each_other_on_every_console(encoding):
    rows = [("site", "place"), *((name, "8 °C") for name in (HEBREW, JAPANESE, EMOJI, "Åre – Łódź", "Meadow"))]
    with console.showing(encoding):
        lines = console.aligned(rows).splitlines()
    assert len({wcwidth.width(line[: line.index("8 ")]) for line in lines[1:]}) == 1
    for line in lines:
        line.encode(encoding)


@pytest.mark.parametrize(
    ("encoding", "text", "told"),
    [
        ("ascii", "8 °C, SW (225°), 14:05–16:00, ≥5 ±0.1 → …", "8 degC, SW (225 deg), 14:05-16:00, >=5 +/-0.1 to ..."),
        ("ascii", "Åre Łódź Næstved", "Are Lodz Naestved"),
        ("cp1252", "Åre 8 °C 14:05–16:00 ≥5", "Åre 8 °C 14:05–16:00 >=5"),
        ("cp1252", "草原", r"\u8349\u539f"),
        ("ascii", "🏔", r"\U0001f3d4"),
        ("ascii", "\u2068שדה\u2069", r"\u05e9\u05d3\u05d4"),
        ("utf-8", "Åre 草原 🏔", "Åre 草原 🏔"),
    ],
)  # fmt: skip
def test_what_a_console_lacks_is_put_in_letters_that_it_has(encoding, text, told):
    assert console.readable(text, encoding) == told


def test_no_character_becomes_a_question_mark():
    for code in range(0x80, sys.maxunicode + 1, 61):
        if "?" not in unicodedata.normalize("NFKD", chr(code)):  # a small or wide question mark is one
            assert "?" not in console.readable(chr(code), "cp1252")


def test_plain_answers_do_without_the_tables_of_width():
    for text in ("Best  Meadow, 14:05–16:00, 8 °C ±0.1", "Åre", "≥16.1"):
        assert console.columns(text) == len(text) == wcwidth.width(text)
