"""The JSON interface against its own description, by schemathesis: no fault of the program, replies as described."""

from collections import Counter
from itertools import cycle, islice

import pytest
from hypothesis import HealthCheck, settings

from tests.web.conftest import client_of
from wxfly.web.api import openapi
from wxfly.web.questions import views

schemathesis = pytest.importorskip("schemathesis", reason="the extra dev brings it")
from schemathesis.checks import negative_data_rejection, not_a_server_error, positive_data_acceptance  # noqa: E402

pytestmark = pytest.mark.thorough
# Values are the pilot's words, which no pattern describes, so a text may be refused; and 503 is described: no service
# answered. A fault of the program would be 500, which is not.
NOT_HELD = [positive_data_acceptance, not_a_server_error]
DEMONSTRATION = ("Kelderness", "Valdrenna", "Whistlebrush")

SAID = {"mean": "3m/s", "hour": "15:00", "offline": "true"}
"""What is said in place of any text: nobody is asked, and there is an answer."""

described = schemathesis.openapi.from_dict(openapi(views()))


@pytest.fixture(scope="module")
def replies():
    """Count the replies; each question must have been answered at least once, not only refused."""
    counted = Counter()
    yield counted
    without = {"/api/v1/where"}  # which needs the file of a grid
    assert {path for path, status in counted if status == 200} >= {path for path, _ in counted} - without


@described.parametrize()
@settings(max_examples=12, deadline=None, suppress_health_check=list(HealthCheck))
def test_every_reply_is_as_described(case, app, replies):
    app.app.state.server.allowance._left.clear()
    query = dict(case.query or {})
    names = {one.name for one in case.operation.query}
    query |= {name: value for name, value in SAID.items() if name in names and (name == "offline" or query.get(name))}
    if isinstance(query.get("place"), list):
        query["place"] = list(islice(cycle(DEMONSTRATION), len(query["place"])))
    reply = client_of(app).request(case.method, case.operation.path, params=query, headers=case.headers)
    replies[case.operation.path, reply.status_code] += 1
    # As the description says, an empty value counts as not given, and so is no wrong one.
    has_empty = any("" in (value if isinstance(value, list) else [value]) for value in query.values())
    case.validate_response(reply, excluded_checks=[*NOT_HELD, *([negative_data_rejection] * has_empty)])
