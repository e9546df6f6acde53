"""Fixtures for every test: nothing of the person who runs them is read or written, and nobody is asked."""

import os
import shutil
from datetime import UTC, datetime, timedelta
from itertools import count

import hypothesis
import pytest

from tests.server import WeatherServer
from wxfly.pilot.services import SERVICES

# The same examples in every run, so that a red test is about the change at hand; the nightly run looks further.
hypothesis.settings.register_profile("quick", max_examples=12, derandomize=True, deadline=None)
hypothesis.settings.register_profile("thorough", max_examples=50, derandomize=True, deadline=None)
hypothesis.settings.register_profile("nightly", max_examples=2000, deadline=None)
hypothesis.settings.load_profile(os.environ.get("WXFLY_TEST_PROFILE", "quick"))

NOWHERE = "http://127.0.0.1:9"  # the discard port: nothing listens


@pytest.fixture(scope="session", autouse=True)
def nobody_is_asked(tmp_path_factory):
    """Turn wxfly to services that cannot be reached, and past what the machine sets for its network and its pilot."""
    with pytest.MonkeyPatch.context() as changed:
        for name in ("CACHE", "CONFIG"):  # for fixtures of a module, which are made before those of a test
            changed.setenv(f"WXFLY_{name}", str(tmp_path_factory.mktemp(name)))
        for name in SERVICES:
            changed.setenv(f"WXFLY_{name.upper()}_URL", f"{NOWHERE}/{name}")
        # Much patience and short waits: a test must not end otherwise because the machine is busy.
        changed.setenv("WXFLY_PATIENCE", "20")
        # One model and no members, unless a test is about the choice: then it takes the fixture `chooses`.
        changed.setenv("WXFLY_MODEL", "ncep_gfs_global")
        changed.setenv("WXFLY_ENSEMBLE", "none")
        changed.setattr("wxfly.sources.http.FIRST_WAIT_SECONDS", 0.02)
        for name in ("HTTP_PROXY", "HTTPS_PROXY", "ALL_PROXY", "NO_PROXY", "SSL_CERT_FILE", "SSL_CERT_DIR"):
            changed.delenv(name, raising=False)
            changed.delenv(name.lower(), raising=False)
        yield


@pytest.fixture(scope="session")
def every_folder(tmp_path_factory):
    """Return the folder in which each test has one of its own, and the numbers of those."""
    return tmp_path_factory.mktemp("wxfly"), count()


@pytest.fixture(autouse=True)
def own_folders(every_folder, monkeypatch):
    """Return each test a cache and a configuration of its own."""
    folder = every_folder[0] / str(next(every_folder[1]))
    folder.mkdir()
    monkeypatch.setenv("WXFLY_CACHE", str(folder / "cache"))
    monkeypatch.setenv("WXFLY_CONFIG", str(folder / "config"))
    return folder


@pytest.fixture
def usual_addresses(monkeypatch):
    """Turn wxfly to the services that it asks by itself; nothing may be asked then."""
    for name in SERVICES:
        monkeypatch.delenv(f"WXFLY_{name.upper()}_URL")
    monkeypatch.delenv("WXFLY_MODEL", raising=False)
    monkeypatch.delenv("WXFLY_ENSEMBLE", raising=False)


@pytest.fixture
def server(own_folders, monkeypatch):
    """Play the services over a real socket, with wxfly turned to them."""
    weather = WeatherServer()
    for name, value in weather.environment().items():
        monkeypatch.setenv(name, value)
    yield weather
    weather.close()


@pytest.fixture
def clock(monkeypatch, server):
    """Set what wxfly and the services believe is the time; advance it with ``clock(hours=1)``."""
    state = {"now": datetime(2026, 3, 10, 12, 0, tzinfo=UTC)}

    def advance(**by):
        state["now"] += timedelta(**by)
        server.now = state["now"]

    class Moved(datetime):
        @classmethod
        def now(cls, tz=None):
            return state["now"]

    for module in (
        "wxfly.times", "wxfly.sources.open_meteo.forecast", "wxfly.sources.open_meteo.ensemble",
        "wxfly.sources.met_norway",
    ):  # fmt: skip
        monkeypatch.setattr(f"{module}.datetime", Moved)
    advance()
    return advance


@pytest.fixture
def chooses(server, monkeypatch):
    """Let wxfly choose model and members by itself."""
    monkeypatch.delenv("WXFLY_MODEL", raising=False)
    monkeypatch.delenv("WXFLY_ENSEMBLE", raising=False)


@pytest.fixture
def contact(own_folders):
    """Say who asks: MET Norway wants to know."""
    (own_folders / "config").mkdir()
    (own_folders / "config" / "config.toml").write_text('contact = "pilot@example.org"\n')


@pytest.fixture
def wxfly(capsys):
    """Run the command in this process; give its code and what it wrote to either stream."""
    from wxfly.cli import main

    def run(*arguments):
        with pytest.raises(SystemExit) as ended:
            main.main(args=list(arguments), prog_name="wxfly", standalone_mode=True)
        out, err = capsys.readouterr()
        assert "Traceback" not in err
        return ended.value.code, out, err

    return run


@pytest.fixture
def read_here(monkeypatch):
    """Read a stranger's file in this process, as the child does that is started for each in earnest."""
    from wxfly.cube import foreign_file
    from wxfly.errors import WxflyError

    def read(path):
        try:
            return foreign_file._packed(foreign_file._read(str(path)))
        except foreign_file._UnreadableError as fault:
            raise WxflyError(f"{path}: not a readable netCDF file ({fault})") from None

    monkeypatch.setattr(foreign_file, "_answer_of_child", read)


@pytest.fixture(scope="session")
def chromium():
    """Start one browser for all tests that look at a page."""
    found = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
    if found is None:
        if os.environ.get("WXFLY_TEST_BROWSER") == "required":
            pytest.fail("no chromium on this machine, and WXFLY_TEST_BROWSER says that there must be one")
        pytest.skip("no chromium on this machine")
    playwright = pytest.importorskip("playwright.sync_api")
    arguments = [
        "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
        "--disable-component-update", "--disable-sync",
    ]  # fmt: skip
    with playwright.sync_playwright() as started:
        browser = started.chromium.launch(executable_path=found, args=arguments)
        yield browser
        browser.close()


def pytest_collection_modifyitems(config, items):
    """Leave tests of the real services out unless they are asked for with ``-m live``."""
    if "live" not in (config.getoption("-m") or ""):
        for item in items:
            if item.get_closest_marker("live"):
                item.add_marker(pytest.mark.skip(reason="talks to the real services; ask for it with -m live"))
