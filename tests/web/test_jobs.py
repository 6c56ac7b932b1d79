"""Long work: in order, one heavy piece at a time, stopped, taken up again, kept over a restart."""

from __future__ import annotations

import json
import re
import threading

import pytest
from hypothesis import given
from hypothesis import strategies as st

from slowglass.errors import SlowglassError, UsageError
from slowglass.learn.night import NOTES
from slowglass.web.app import create_app
from slowglass.web.job import INTERRUPTED, Job
from slowglass.web.jobs import KEPT, Jobs
from slowglass.web.notebook import Notebook

LONG_S = 30.0
"""Far more than the work of these tests takes."""


class Gate:
    """Work that reports until it is let through."""

    def __init__(self):
        self.begun, self.open = threading.Event(), threading.Event()
        self.ran = []

    def __call__(self, request, report):
        self.ran.append(request)
        self.begun.set()
        while not self.open.wait(0.005):
            report("counting", len(self.ran), 9)
        return {"got": request.get("n")}


@pytest.fixture
def jobs(tmp_path):
    made = Jobs(tmp_path / "jobs")
    yield made
    made.close()


@pytest.fixture
def gate(jobs):
    gate = Gate()
    jobs.register("count", gate)
    yield gate
    gate.open.set()


def start(jobs, n=1, kind="count"):
    return jobs.start(kind, title=f"Counting {n}", request={"n": n}, href="/kit")


def test_one_runs_and_the_others_wait_in_order(jobs, gate):
    first, second, third = (start(jobs, n) for n in (1, 2, 3))
    assert gate.begun.wait(LONG_S)
    assert [j.state for j in (first, second, third)] == ["running", "waiting", "waiting"]
    assert jobs.current() is first
    assert jobs.waiting() == 2
    gate.open.set()
    assert jobs.wait(third, seconds=LONG_S).state == "done"
    assert [r["n"] for r in gate.ran] == [1, 2, 3]
    assert [j.result for j in (first, second, third)] == [{"got": n} for n in (1, 2, 3)]
    assert jobs.current() is None


def test_the_same_request_is_the_same_job_while_it_is_under_way(jobs, gate):
    first = start(jobs)
    assert start(jobs) is first
    assert start(jobs, 2) is not first
    gate.open.set()
    jobs.wait(first, seconds=LONG_S)
    assert start(jobs) is not first
    assert jobs.latest("count", {"n": 1}) is not first


def test_quick_work_passes_by_heavy_work(jobs, gate):
    jobs.register("glance", lambda request, report: {"seen": True}, quick=True)
    heavy = start(jobs)
    assert gate.begun.wait(LONG_S)
    quick = jobs.wait(start(jobs, kind="glance"), seconds=LONG_S)
    assert quick.state == "done"
    assert heavy.state == "running"


def test_running_work_stops_at_its_report_and_is_taken_up_again(jobs, gate):
    job = start(jobs)
    assert gate.begun.wait(LONG_S)
    jobs.stop(job.id)
    assert jobs.wait(job, seconds=LONG_S).state == "stopped"
    assert job.words == "Stopped on request."
    gate.open.set()
    assert jobs.again(job.id) is job
    assert jobs.wait(job, seconds=LONG_S).state == "done"
    assert job.result == {"got": 1}


def test_waiting_work_is_taken_out_of_the_line(jobs, gate):
    start(jobs)
    assert gate.begun.wait(LONG_S)
    second = start(jobs, 2)
    jobs.stop(second.id)
    assert second.state == "stopped"
    assert jobs.waiting() == 0
    gate.open.set()
    assert jobs.wait(start(jobs, 3), seconds=LONG_S).state == "done"
    assert 2 not in [r["n"] for r in gate.ran]


def test_failures_say_why_and_the_next_job_runs(jobs, caplog):
    def fail(request, report):
        if request["n"] == 1:
            raise SlowglassError("the disk is full", "make room")
        raise ZeroDivisionError

    jobs.register("count", fail)
    expected, unexpected = start(jobs, 1), start(jobs, 2)
    jobs.wait(unexpected, seconds=LONG_S)
    assert expected.state == unexpected.state == "failed"
    assert expected.words == "the disk is full. Make room."
    assert "ZeroDivisionError" in unexpected.words
    assert "Counting 2 failed" in caplog.text


def test_after_a_restart_what_is_done_stays_and_the_rest_can_be_taken_up_again(tmp_path):
    old, gate = Jobs(tmp_path), Gate()
    old.register("count", gate)
    old.register("glance", lambda request, report: {"seen": 1}, quick=True)
    done = old.wait(start(old, kind="glance"), seconds=LONG_S)
    running, waiting = start(old, 2), start(old, 3)
    assert gate.begun.wait(LONG_S)
    # a crash: another workbench over the same folder sees what the files say
    for new in (Jobs(tmp_path), None):
        if new is None:
            old.close()
            new = Jobs(tmp_path)
        assert new.get(done.id).state == "done"
        assert new.get(done.id).result == {"seen": 1}
        for job in (running, waiting):
            again = new.get(job.id)
            assert (again.state, again.words) == ("stopped", INTERRUPTED)
            assert (again.title, again.request) == (job.title, job.request)
    assert not new.can_run(running)
    with pytest.raises(UsageError, match="take up again"):
        new.again(running.id)
    gate.open.set()
    new.register("count", gate)
    assert new.wait(new.again(waiting.id), seconds=LONG_S).result == {"got": 3}
    assert new.get(running.id).state == "stopped"
    new.close()


def test_files_that_are_no_jobs_are_left_alone(tmp_path):
    for name, text in {"a": "{", "b": "[]", "c": '{"id": "c"}', "d": "null"}.items():
        (tmp_path / f"{name}.json").write_text(text)
    whole = Job(id="e", kind="count", title="x", request={}).kept()
    for name, part in {"e": {"state": "mad"}, "f": {"request": 3}, "g": {"asked_utc": "x"},
                       "h": {"id": "../h"}}.items():  # fmt: skip
        (tmp_path / f"{name}.json").write_text(json.dumps({**whole, "id": name, **part}))
    assert Jobs(tmp_path).all() == []
    assert len(list(tmp_path.iterdir())) == 8


@given(st.text(), st.recursive(st.integers() | st.text() | st.booleans() | st.none(),
                               lambda v: st.lists(v) | st.dictionaries(st.text(), v),
                               max_leaves=8))  # fmt: skip
def test_a_job_is_read_as_it_was_written(title, value):
    job = Job(id="x", kind="count", title=title, request={"v": value})
    again = Job.read(json.loads(json.dumps(job.kept())))
    assert (again.key, again.title, again.asked_utc) == (job.key, title, job.asked_utc)


def test_only_the_newest_are_remembered(jobs, tmp_path):
    jobs.register("glance", lambda request, report: None, quick=True)
    made = [jobs.wait(start(jobs, n, "glance"), seconds=LONG_S) for n in range(KEPT + 3)]
    jobs.wait(start(jobs, -1, "glance"), seconds=LONG_S)
    assert jobs.get(made[0].id) is None
    assert jobs.get(made[-1].id) is not None
    assert len(list((tmp_path / "jobs").iterdir())) == len(jobs.all()) == KEPT + 1


def test_a_folder_that_cannot_be_written_stops_no_work(tmp_path):
    (tmp_path / "file").write_text("x")
    jobs = Jobs(tmp_path / "file")
    jobs.register("glance", lambda request, report: {"seen": 1})
    assert jobs.wait(start(jobs, kind="glance"), seconds=LONG_S).state == "done"
    assert "cannot write" in jobs.trouble
    jobs.close()


def test_a_closed_workbench_starts_nothing(jobs, gate):
    jobs.close()
    with pytest.raises(UsageError, match="being closed"):
        start(jobs)


def test_kinds_are_named_once(jobs, gate):
    with pytest.raises(ValueError, match="one name"):
        jobs.register("count", gate)
    with pytest.raises(ValueError, match="one name"):
        jobs.register("../count", gate)


def test_the_page_shows_stops_and_takes_up_again(workbench, tmp_path, send):
    app = create_app(workbench, folder=tmp_path)
    jobs, gate = app.state.book.jobs, Gate()
    jobs.register("count", gate)
    job = start(jobs)
    assert gate.begun.wait(LONG_S)
    waiting = start(jobs, 2)
    page = send(app, "/jobs").text
    assert "Counting 1" in page
    assert f"/jobs/{waiting.id}/stop" in page
    assert "Counting 1" in send(app, "/kit").text  # the line on every page
    told = send(app, f"/jobs/{job.id}/progress").json()
    assert (told["state"], told["total"], told["href"]) == ("running", 9, "/kit")
    for one in (waiting, job):
        answer = send(app, f"/jobs/{one.id}/stop", method="POST", data={"back": "/kit?a=b"})
        assert (answer.status_code, answer.headers["location"]) == (303, "/kit?a=b")
        jobs.wait(one, seconds=LONG_S)
    assert send(app, "/jobs").text.count(">Take up again<") == 2
    gate.open.set()
    told = send(app, f"/jobs/{job.id}/again", method="POST", headers={"accept": "application/json"})
    assert told.json()["state"] in ("waiting", "running", "done")
    assert jobs.wait(job, seconds=LONG_S).state == "done"
    assert send(app, f"/jobs/{job.id}/forget", method="POST").headers["location"] == "/jobs"
    assert send(app, f"/jobs/{job.id}/progress").status_code == 404
    assert send(app, "/jobs/none/stop", method="POST").status_code == 404
    jobs.close()


def test_the_example_is_made_in_the_background_and_stops_clean(workbench, tmp_path, send):
    folder = tmp_path / "night"
    app = create_app(workbench, folder=folder)
    jobs = app.state.book.jobs
    assert send(app, "/making", method="POST").status_code == 303
    job = jobs.latest("example-night")
    send(app, "/making", method="POST")
    assert [j.kind for j in jobs.all()] == ["example-night"]
    page = send(app, "/").text
    assert re.search(rf'data-follow="/jobs/{job.id}/progress"', page)
    jobs.stop(job.id)
    assert jobs.wait(job, seconds=60).state == "stopped"
    jobs.close()
    assert {p.name for p in folder.iterdir()} == {".example-night", NOTES}


def test_lists_worked_out_are_kept_with_the_night(workbench, tmp_path):
    from datetime import date

    from slowglass.web.tonight import LISTED, Tonight

    book = Notebook(workbench, tmp_path)
    job = book.jobs.wait(Tonight(book).ask(date(2026, 3, 14)), seconds=300)
    assert len(job.result["objects"]) == LISTED
    book.jobs.close()
    later = Notebook(workbench, tmp_path)
    lists = Tonight(later)
    assert lists.ask(date(2026, 3, 14)).result == job.result
    later.use(site=workbench.site.model_copy(update={"latitude_deg": 43.0}))
    assert lists.ask(date(2026, 3, 14)).result is None
    later.jobs.close()
