"""The JSON interface: the facts of the commands, described by their types, and no input that breaks it."""

import json
from urllib.parse import urlencode

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wxfly.web.questions import views


def test_an_answer_is_what_the_command_prints(answered, wxfly):
    reply = answered("/api/v1/best?place=Kelderness")
    assert reply.json() == json.loads(wxfly("best", "Kelderness", "--json")[1])


def test_the_description_is_one_of_openapi_and_fits_the_answers(client, answered):
    described = client.get("/api/v1/openapi.json").json()
    assert described["openapi"] == "3.1.0"
    for address, path in described["paths"].items():
        for parameter in path["get"]["parameters"]:
            assert parameter["name"] not in ("forecast", "forecast_path"), address
    for address in ("/api/v1/best?place=Kelderness", "/api/v1/sites", "/api/v1/rules", "/api/v1/aircraft"):
        schema = described["paths"][address.partition("?")[0]]["get"]["responses"]["200"]
        whole = {"components": described["components"], **schema["content"]["application/json"]["schema"]}
        jsonschema.Draft202012Validator(whole).validate(answered(address).json())


def test_every_question_is_described():
    from wxfly.web.api import openapi

    described = openapi(views())
    references = set(json.dumps(described).split('"#/components/schemas/')[1:])
    names = {one.partition('"')[0] for one in references}
    assert names <= set(described["components"]["schemas"])
    assert {f"/api/v1/{name}" for name in views()} <= set(described["paths"])


def test_an_unknown_address_names_the_nearest(client):
    reply = client.get("/api/v1/bset")
    assert reply.status_code == 404 and "did you mean 'best'?" in reply.json()["error"]


VIEWS = views()
KEYS = sorted({option.key for view in VIEWS.values() for option in view.options} | {"place", "hour", "within"})
VALUES = st.one_of(
    st.sampled_from(
        ["Kelderness", "Kelderness@40m", "tomorrow", "2026-03-15", "60m", "1e400m", "-1", "0", "nan", "5m/s", "80%",
         "x", "0.2", "true", "13", "25:00", "gust=8m/s", "gust=", "N", "361", "Europe/Nowhere", "2026-03-14T12:00Z",
         "1,2,3", "52.1,6.9", "../../etc/passwd", "\ud7ff", "none"]
    ),
    st.text(max_size=12),
)  # fmt: skip


@pytest.mark.thorough
@given(name=st.sampled_from(sorted(VIEWS)), pairs=st.lists(st.tuples(st.sampled_from(KEYS), VALUES), max_size=5))
def test_no_input_is_answered_by_a_fault_of_the_program(app, name, pairs):
    from tests.web.conftest import client_of

    app.app.state.server.allowance._left.clear()
    query = urlencode([*pairs, ("offline", "true")] if "offline" not in dict(pairs) else pairs, errors="replace")
    reply = client_of(app).get(f"/api/v1/{name}?{query}")
    assert reply.status_code in (200, 400, 503)
    if reply.status_code != 200:
        assert "\n" not in reply.json()["error"] and reply.json()["error"]
    page = client_of(app).get(f"/{name}?{query}")
    assert page.status_code in (200, 202, 303, 400, 503)


@pytest.mark.parametrize("raw", ["%ff", "%00", "place=%ff", "&&&", "=", "place", "place=%0d%0aX: y", "a=1;b=2", "%"])
def test_a_query_that_is_no_text_is_refused_or_empty(client, raw):
    assert client.get(f"/api/v1/sites?{raw}").status_code == 200
    assert client.get(f"/api/v1/why?{raw}").status_code == 400
    assert client.get(f"/why?{raw}").status_code in (200, 303, 400)
