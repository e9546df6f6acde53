"""A day without a window is an answer: every file that was asked for is written, with the no in it."""

import csv
import io
import json
import re

import icalendar
import pytest

from tests.halves import spread

# No day of the demonstration's weather holds for so long.
ASKED = ("Kelderness", "--aircraft", "camera-quad-250g", "--launch-limit", "8m/s", "--duration", "16h")


def words(page):
    return " ".join(re.sub(r"<[^>]*>|&NoBreak;", " ", page).replace("\u00a0", " ").split())


def test_the_page_of_a_brief_says_that_there_is_none_and_why(wxfly, tmp_path):
    path = tmp_path / "brief.html"
    path.write_text("""<!doctype html>\n<html lang="en">\n<meta name="generator" content="wxfly">\nyesterday's page""")
    code, out, err = wxfly("brief", *ASKED, "--html", str(path))
    assert code == 0
    assert "at most, shorter than 16 h." in " ".join(out.split())
    assert f"wrote {path}" in err
    page = path.read_text(encoding="utf-8")
    told = words(page)
    assert "yesterday" not in told
    assert "<title>Flight brief: Kelderness, no window on Sun 15 Mar</title>" in page
    assert "no room to fly at Kelderness on Sun 15 Mar: 6 h at most, shorter than 16 h." in told
    assert "gust at 60 m" in told and "gust is beyond its limit" in told
    assert "Asked Kelderness, 60 m above ground" in told and "windows of 16 h or more" in told
    assert "invented" in told and "advice, not permission" in told
    assert "<script" not in page and "style=" not in page


@pytest.mark.thorough
@pytest.mark.parametrize("question", spread(["best Kelderness", "compare Kelderness Valdrenna", "week Kelderness"], 3))
def test_every_file_of_a_question_says_no(wxfly, tmp_path, question):
    page, calendar = tmp_path / "page.html", tmp_path / "calendar.ics"
    files = ("--html", str(page), "--ics", str(calendar))
    asked = (*question.split(), *ASKED[1:], *files)
    code, out, _ = wxfly(*asked)
    assert code == 0
    for told in (" ".join(out.split()), words(page.read_text(encoding="utf-8"))):
        assert "no room to fly at Kelderness" in told
    (entry,) = icalendar.Calendar.from_ical(calendar.read_bytes()).walk("VJOURNAL")
    assert "no room to fly at Kelderness" in str(entry["SUMMARY"])
    assert "gust" in str(entry["DESCRIPTION"])
    document = json.loads(wxfly(*asked, "--json")[1])
    assert all(answer["windows"] == [] for answer in document["sites"])
    rows = list(csv.DictReader(io.StringIO(wxfly(*asked, "--csv")[1], newline="")))
    assert rows and {row["window"] for row in rows} == {""}
    assert any(row["limiting_element"] for row in rows)
