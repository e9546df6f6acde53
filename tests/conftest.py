"""Fixtures for every test: nothing of the person who runs them is read or written, and nobody is asked."""

import os

import hypothesis
import pytest

from tests.server import WeatherServer

# The same examples in every run, so that a red test is about the change at hand; the nightly run looks further.
hypothesis.settings.register_profile("steady", derandomize=True, deadline=None)
hypothesis.settings.register_profile("nightly", max_examples=2000, deadline=None)
hypothesis.settings.load_profile(os.environ.get("WXFLY_TEST_PROFILE", "steady"))

SERVICES = (
    "FORECAST",
    "ENSEMBLE",
    "PREVIOUS_RUNS",
    "GEOCODING",
    "ELEVATION",
    "METADATA",
    "SPACE_WEATHER",
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
    monkeypatch.setattr("wxfly.sources.download.FIRST_WAIT_SECONDS", 0.02)
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


def pytest_collection_modifyitems(config, items):
    """Leave tests of the real services out unless they are asked for with ``-m live``."""
    if "live" not in (config.getoption("-m") or ""):
        for item in items:
            if item.get_closest_marker("live"):
                item.add_marker(pytest.mark.skip(reason="talks to the real services; ask for it with -m live"))
