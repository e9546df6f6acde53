"""Fixtures for every test: nothing of the person who runs them is read or written, and nobody is asked."""

import os
from datetime import UTC, datetime, timedelta

import hypothesis
import pytest

from tests.server import WeatherServer

# The same examples in every run, so that a red test is about the change at hand; the nightly run looks further.
hypothesis.settings.register_profile("quick", max_examples=25, derandomize=True, deadline=None)
hypothesis.settings.register_profile("thorough", max_examples=200, derandomize=True, deadline=None)
hypothesis.settings.register_profile("nightly", max_examples=2000, deadline=None)
hypothesis.settings.load_profile(os.environ.get("WXFLY_TEST_PROFILE", "quick"))

SERVICES = (
    "FORECAST",
    "ENSEMBLE",
    "PREVIOUS_RUNS",
    "GEOCODING",
    "ELEVATION",
    "METADATA",
    "SPACE_WEATHER",
    "GFZ",
    "MET_NORWAY",
    "AVIATION_WEATHER",
)
NOWHERE = "http://127.0.0.1:9"  # the discard port: nothing listens


@pytest.fixture(autouse=True)
def own_folders(tmp_path_factory, monkeypatch):
    """Give each test a cache and a configuration of its own, and services that cannot be reached."""
    folder = tmp_path_factory.mktemp("wxfly")
    monkeypatch.setenv("WXFLY_CACHE", str(folder / "cache"))
    monkeypatch.setenv("WXFLY_CONFIG", str(folder / "config"))
    for name in SERVICES:
        monkeypatch.setenv(f"WXFLY_{name}_URL", f"{NOWHERE}/{name.lower()}")
    # Much patience and short waits: a test must not end otherwise because the machine is busy.
    monkeypatch.setenv("WXFLY_PATIENCE", "20")
    monkeypatch.setattr("wxfly.sources.http.FIRST_WAIT_SECONDS", 0.02)
    for name in ("HTTP_PROXY", "HTTPS_PROXY", "ALL_PROXY", "NO_PROXY", "SSL_CERT_FILE", "SSL_CERT_DIR"):
        monkeypatch.delenv(name, raising=False)
        monkeypatch.delenv(name.lower(), raising=False)
    return folder


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

    for module in ("wxfly.times", "wxfly.sources.open_meteo.forecast", "wxfly.sources.met_norway"):
        monkeypatch.setattr(f"{module}.datetime", Moved)
    advance()
    return advance


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


def pytest_collection_modifyitems(config, items):
    """Leave tests of the real services out unless they are asked for with ``-m live``."""
    if "live" not in (config.getoption("-m") or ""):
        for item in items:
            if item.get_closest_marker("live"):
                item.add_marker(pytest.mark.skip(reason="talks to the real services; ask for it with -m live"))
