"""Questions in the queue: broken off at their next step."""

import re
import threading

import pytest

from wxfly.errors import WxflyError
from wxfly.web import app as application
from wxfly.web.job_queue import JobQueue


def test_a_question_that_is_broken_off_ends_at_its_next_step_and_can_be_asked_again():
    jobs, begun, go_on, steps = JobQueue(), threading.Event(), threading.Event(), []

    def work(say):
        begun.set()
        go_on.wait(10)
        try:
            say("asking for GFS")
        except WxflyError:  # as one that goes on with the next model
            steps.append("went on")
        steps.append("asked")
        return "answer"

    job = jobs.ask("a", ["meadow"], work)
    assert begun.wait(10)
    jobs.break_off("a")
    jobs.break_off("another")
    go_on.set()
    with pytest.raises(WxflyError, match="was broken off"):
        job.future.result(10)
    assert steps == []
    assert jobs.ask("b", ["meadow"], work).future.result(10) == "answer"  # its place is free again
    jobs.close()


def test_the_waiting_page_breaks_off_with_its_token_alone(client, monkeypatch):
    monkeypatch.setattr(application, "PAGE_SECONDS", 0.0)
    asked = []
    monkeypatch.setattr(client.app.app.state.server.jobs, "break_off", asked.append)
    page = client.get("/week?place=Whistlebrush&duration=80min")
    assert page.status_code == 202 and "Break off" in page.text
    token = re.search(r'name="csrf" value="([0-9a-f]+)"', page.text)[1]
    address = "/week?place=Whistlebrush&duration=80min"
    assert client.post("/break-off", data={"csrf": "0" * 64, "address": address}).status_code == 403
    assert asked == []
    reply = client.post("/break-off", data={"csrf": token, "address": "/week?place=%ff"})
    assert reply.status_code == 400 and "fault of wxfly" not in reply.text and asked == []
    assert client.post("/break-off", data={"csrf": token, "address": address}).status_code == 303
    assert [(name, pairs) for name, pairs, _ in asked] == [("week", (("place", "Whistlebrush"), ("duration", "80min")))]
