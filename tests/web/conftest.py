"""One application for all tests of the page: it answers from the demonstration, without any service."""

import time
import warnings

import pytest

pytest.importorskip("starlette", reason="the extra web is not installed")

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # its newest versions want another HTTP client than ours
    from starlette.testclient import TestClient

from tests.server import WeatherServer
from tests.web.serving import pilot, serving
from wxfly.web.app import make_app
from wxfly.web.security import Door

BASE = "http://127.0.0.1:8017"


def client_of(app, **rest):
    return TestClient(app, base_url=rest.pop("base_url", BASE), follow_redirects=False, **rest)


@pytest.fixture(scope="session")
def app():
    return make_app()


@pytest.fixture
def client(app):
    app.app.state.server.allowance._left.clear()
    return client_of(app)


@pytest.fixture(scope="module")
def weather():
    """Play the services for a server of its own process: nobody else is asked."""
    played = WeatherServer()
    yield played
    played.close()


@pytest.fixture(scope="module")
def address(weather, tmp_path_factory):
    """Start the server of a pilot who has places, zones and the file of a grid; return its address."""
    environment, grid = pilot(tmp_path_factory.mktemp("pilot"))
    with serving("--forecast", grid, environment=weather.environment() | environment) as (found, _):
        yield found


@pytest.fixture
def guarded():
    """Return a client of a server that others can reach, and its token."""
    door = Door("0.0.0.0", "the-token")
    return client_of(make_app(door), base_url="http://192.0.2.7:8017")


@pytest.fixture
def answered(client):
    """Ask until the answer is there."""

    def ask(address, **rest):
        for _ in range(600):
            reply = client.get(address, **rest)
            if reply.status_code != 202 and "data-ask-again" not in reply.text:
                return reply
            time.sleep(0.1)
        raise AssertionError(f"{address} was not answered in a minute")

    return ask
