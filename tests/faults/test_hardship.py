"""Killed at any moment, eight at once, a full disk, a folder that cannot be written, hours of fetching.

``WXFLY_TEST_SLOW=1`` adds the nightly sizes.
"""

import os
import subprocess
import sys
from collections import Counter
from itertools import pairwise
from pathlib import Path

import pytest

from tests.faults.kill import kill_fetches
from tests.soak import soak
from tests.test_command_over_a_socket import command
from wxfly.pilot.settings import cache_folder
from wxfly.store import forecasts

ROOT = Path(__file__).resolve().parents[2]
nightly = pytest.mark.skipif(os.environ.get("WXFLY_TEST_SLOW") != "1", reason="long; WXFLY_TEST_SLOW=1 runs it")
SITES = "".join(
    f'[{name}]\nlatitude = {latitude}\nlongitude = 6.84\nsurface_altitude = 31\ntime_zone = "Europe/Amsterdam"\n'
    for name, latitude in (("heath", 52.31), ("dune", 52.41), ("marsh", 52.51), ("ridge", 52.61), ("brook", 52.71))
)


@pytest.fixture
def saved_sites(own_folders, monkeypatch):
    monkeypatch.setenv("COLUMNS", "100")
    (own_folders / "config").mkdir()
    (own_folders / "config" / "sites.toml").write_text(SITES)


def files():
    return {p.relative_to(cache_folder()): p.read_bytes() for p in (cache_folder() / "forecasts").rglob("*.*")}


# --- killed ----------------------------------------------------------------------------------------------------


def holds_after_kills(times):
    found = kill_fetches(times)
    assert "NOT WHOLE" not in found
    assert "BLOCKED" not in found
    assert found["answered afterwards"] == times // 10
    assert found["files seen to be whole"] > 0
    assert found["killed while at work"] > times / 4


@pytest.mark.thorough
def test_twenty_kills_leave_only_whole_forecasts_and_nothing_that_blocks():
    holds_after_kills(20)


@nightly
@pytest.mark.thorough
def test_two_hundred_kills_leave_only_whole_forecasts_and_nothing_that_blocks():
    holds_after_kills(200)


# --- eight at once ---------------------------------------------------------------------------------------------


@pytest.mark.thorough
def test_eight_commands_at_once_ask_once_for_each_place(server, saved_sites, monkeypatch):
    monkeypatch.setenv("WXFLY_PATIENCE", "30")
    names = ["heath", "heath", "heath", "heath", "dune", "marsh", "ridge", "brook"]
    processes = [
        subprocess.Popen(
            [*command(), "fetch", name, "--model", "icon_eu"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )
        for name in names
    ]
    for name, process in zip(names, processes, strict=True):
        out, err = process.communicate(timeout=120)
        assert process.returncode == 0, err
        assert out.startswith(f"{name}: icon_eu, hours to ")
    asked = Counter(place for a in server.asked("forecast") for place in a.query["latitude"].split(","))
    assert asked == {"52.31": 1, "52.41": 1, "52.51": 1, "52.61": 1, "52.71": 1}
    assert len(server.asked("kp")) <= 8
    times = sorted((a.started, a.ended) for a in server.asked("forecast"))
    assert all(end <= start for (_, end), (start, _) in pairwise(times)), "one at a time"
    assert len(forecasts.list_forecasts()) == 5
    for stored in forecasts.list_forecasts():
        forecasts.open_forecast(stored)


# --- a full disk -----------------------------------------------------------------------------------------------

# A limit on the size of a file does what a full disk does: a write fails halfway with an error.
FULL = """
import resource, sys
sys.path.insert(0, {root!r})
resource.setrlimit(resource.RLIMIT_FSIZE, (3_000, 3_000))
from wxfly.cli import main
main(prog_name="wxfly")
"""


def run_with(code, *arguments):
    done = subprocess.run(
        [sys.executable, "-c", code.format(root=str(ROOT)), *arguments], capture_output=True, text=True, check=False,
        timeout=60,
    )  # fmt: skip
    assert "Traceback" not in done.stderr
    return done.returncode, done.stdout, done.stderr


@pytest.fixture
def newer_run(server, saved_sites):
    """Keep a forecast, then announce a newer run; give the files of the store."""
    from wxfly.question.ask import fetch

    fetch(["heath"], "icon_eu", on_progress=lambda _: None)
    (cache_folder() / "replies" / "metadata" / "icon_eu.json").unlink()
    from datetime import timedelta

    server.run_delay -= timedelta(hours=6)
    return files()


@pytest.mark.thorough
def test_a_full_disk_costs_the_store_and_not_the_answer(server, newer_run):
    code, out, _ = run_with(FULL, "best", "heath", "--model", "icon_eu")
    assert code == 0
    assert "could not be kept" in " ".join(out.split())
    assert "is the disk full?" in " ".join(out.split())
    assert len(server.asked("forecast")) == 2
    assert files() == newer_run


@pytest.mark.thorough
def test_a_full_disk_is_an_error_of_a_fetch_that_is_to_be_kept(server, newer_run):
    code, out, err = run_with(FULL, "fetch", "heath", "--model", "icon_eu")
    assert code == 1
    assert "kept for use offline" not in out
    (line,) = [line for line in err.splitlines() if line.startswith("Error: ")]
    assert "could not be kept" in line
    assert files() == newer_run


# --- a folder that cannot be written ---------------------------------------------------------------------------

# Root may write everywhere, so it gives that power up (capability 1, DAC override) before the command begins.
READ_ONLY = """
import ctypes, sys
sys.path.insert(0, {root!r})
class Head(ctypes.Structure):
    _fields_ = [("version", ctypes.c_uint32), ("pid", ctypes.c_int)]
class Data(ctypes.Structure):
    _fields_ = [("effective", ctypes.c_uint32), ("permitted", ctypes.c_uint32), ("inheritable", ctypes.c_uint32)]
libc, head, data = ctypes.CDLL(None, use_errno=True), Head(0x20080522, 0), (Data * 2)()
assert libc.capget(ctypes.byref(head), data) == 0
data[0].effective &= ~0b10
assert libc.capset(ctypes.byref(head), data) == 0
from wxfly.cli import main
main(prog_name="wxfly")
"""


@pytest.fixture
def read_only():
    """Make a folder and all below it read-only, and writable again at the end."""
    made = []

    def make(folder):
        for path in [folder, *folder.rglob("*")]:
            if path.is_dir():
                path.chmod(0o555)
                made.append(path)

    yield make
    for path in made:
        path.chmod(0o755)


@pytest.mark.thorough
@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="gives up a power of root in Linux's way")
def test_a_read_only_cache_answers_from_what_it_holds_and_says_why(server, newer_run, read_only):
    for path in (cache_folder() / "locks").iterdir():
        path.unlink()
    read_only(cache_folder())
    code, out, _ = run_with(READ_ONLY, "best", "heath", "--model", "icon_eu")
    assert code == 0
    assert "see the note" in out.split("\n")[0].lower()
    assert "Forecast from the store, retrieved " in out
    assert f"the cache folder {cache_folder()} cannot be written (Permission denied); set WXFLY_CACHE" in " ".join(
        out.split()
    )
    assert files() == newer_run
    code, _, err = run_with(READ_ONLY, "store", "clear", "--yes")
    assert code == 1
    assert "cannot be removed (Permission denied)" in err
    assert files() == newer_run


@pytest.mark.thorough
@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="gives up a power of root in Linux's way")
def test_a_read_only_cache_that_is_empty_is_one_line(server, saved_sites, read_only):
    cache_folder().mkdir()
    read_only(cache_folder())
    for arguments in (["best", "heath"], ["fetch", "heath"]):
        code, out, err = run_with(READ_ONLY, *arguments)
        assert (code, out) == (1, "")
        (line,) = [line for line in err.splitlines() if line.startswith("Error: ")]
        assert "cannot be written (Permission denied); set WXFLY_CACHE to one that can" in line
    assert list(cache_folder().iterdir()) == []


# --- for hours -------------------------------------------------------------------------------------------------


def is_bounded(times):
    """The first part loads what is loaded once; from then on nothing may grow with the number of fetches."""
    samples = soak(times, times // 10)
    settled, last = samples[len(samples) // 2], samples[-1]
    assert last.files <= settled.files + 1
    assert last.megabytes - settled.megabytes < 20
    return samples


@pytest.mark.thorough
def test_fetching_forty_times_takes_no_more_memory_and_files(server):
    is_bounded(40)


@nightly
@pytest.mark.thorough
def test_fetching_ten_thousand_times_takes_no_more_memory_and_files(server):
    is_bounded(10_000)
