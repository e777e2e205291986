"""Jobs wait their turn, one that crashes or hangs hurts no other, and nothing accepted is lost."""

from __future__ import annotations

import json
import re
from concurrent.futures import ThreadPoolExecutor

import anyio
import pytest
from page_pictures import picture
from phone import SLED_KEY, until
from pretended_work import do, slow_chart

from visioncheck.page import workers
from visioncheck.page.desk import Desk
from visioncheck.page.jobs import Spool

PHOTO = f"/sled/{SLED_KEY}/photo"


def send(phone, note, seed):
    answer = phone.send(PHOTO, picture(seed=seed), {"rig": "none", "note": note})
    assert answer.status == 303
    return answer.header("location")


def state(phone, job):
    return json.loads(phone.get(f"{job}/state").text)


def is_done(phone, job):
    return state(phone, job)["done"]


def test_several_phones_are_served_in_turn_and_see_their_place(serve, tmp_path):
    page = serve(do=do)
    slots = page.desk.workers._slots
    first, second = page.phone(), page.phone()
    gate = tmp_path / "go"
    busy = [send(first, f"wait for {gate}", k) for k in range(slots)]
    until(lambda: all("turn" in state(first, job)["place"] for job in busy))
    waiting = [send((first, second)[k % 2], "quick", 20 + k) for k in range(3)]
    assert [state(second, job)["place"] for job in waiting] == [
        "Next in line.",
        "1 before this one.",
        "2 before this one.",
    ]
    assert "Next in line" in second.get(waiting[0]).text
    assert "2 before this one" in second.get(waiting[2]).text
    # the event loop is free all the while
    assert second.get("/log").status == 200
    gate.touch()
    until(lambda: all(is_done(first, job) for job in (*busy, *waiting)))


def test_a_killed_process_costs_its_own_job_alone(serve):
    page = serve(do=do)
    phone = page.phone()
    jobs = [send(phone, note, k) for k, note in enumerate(("die", "quick", "fail", "die once", "quick"))]
    until(lambda: all(is_done(phone, job) for job in jobs))
    said = [phone.get(job).text for job in jobs]
    assert "broke off" in said[0]
    assert "Done: quick." in said[1]
    assert "broke off" in said[2]
    assert "Done: die once." in said[3]  # tried again by itself
    assert "Done: quick." in said[4]


def test_a_job_that_broke_off_keeps_its_photo_and_can_be_tried_again(serve):
    page = serve(do=do)
    phone = page.phone()
    job = send(phone, "die", 1)
    until(lambda: is_done(phone, job))
    assert any(name.endswith(".jpg") for name in page.files())
    phone.get(job)
    assert phone.post(f"{job}/again").header("location") == job
    until(lambda: is_done(phone, job))
    assert "broke off" in phone.get(job).text


def test_a_job_that_hangs_is_stopped(serve, monkeypatch):
    page = serve(do=do)
    phone = page.phone()
    quick = send(phone, "quick", 1)
    until(lambda: is_done(phone, quick))
    monkeypatch.setattr(workers, "_LONGEST_S", 1.0)
    hanging, after = send(phone, "hang", 2), send(phone, "quick", 3)
    until(lambda: is_done(phone, hanging) and is_done(phone, after))
    assert "broke off" in phone.get(hanging).text
    assert "Done: quick." in phone.get(after).text


def test_one_phone_cannot_fill_the_queue(serve, tmp_path, monkeypatch):
    monkeypatch.setattr(workers, "_MOST_OF_ONE", 3)
    page = serve(do=do)
    greedy, other = page.phone(), page.phone()
    gate = tmp_path / "go"
    jobs = [send(greedy, f"wait for {gate}", k) for k in range(3)]
    files = page.files()
    answer = greedy.send(PHOTO, picture(seed=9), {"rig": "none"})
    assert answer.status == 429
    assert page.files() == files
    jobs.append(send(other, "quick", 10))
    gate.touch()
    until(lambda: all(is_done(other, job) for job in jobs))


def test_many_at_once_do_not_get_past_the_bound(serve, tmp_path, monkeypatch):
    monkeypatch.setattr(workers, "_MOST_OF_ONE", 3)
    page = serve(do=do)
    phone = page.phone()
    gate = tmp_path / "go"
    fields = {"rig": "none", "note": f"wait for {gate}"}
    with ThreadPoolExecutor(8) as together:
        answers = together.map(lambda k: phone.send(PHOTO, picture(seed=k), fields).status, range(8))
    assert sorted(answers) == [303] * 3 + [429] * 5
    gate.touch()
    until(lambda: not page.desk.spool.unfinished())


def test_charts_do_not_hold_up_a_photo(serve, monkeypatch):
    monkeypatch.setattr("visioncheck.page.drawing.draw_log_chart", slow_chart)
    page = serve(do=do)
    phone = page.phone()
    phone.get(f"/typed/{SLED_KEY}/corner")
    phone.post(f"/typed/{SLED_KEY}/corner", {"angle": "90.02"})
    with ThreadPoolExecutor(8) as together:
        charts = [together.submit(phone.get, f"/chart/{SLED_KEY}") for _ in range(4)]
        until(lambda: page.desk.workers._aside.borrowed_tokens)
        assert phone.send(PHOTO, picture(), {"rig": "none", "note": "quick"}).status == 303
        (page.settings.log / "drawn").touch()
        assert [chart.result().status for chart in charts] == [200] * 4


def test_a_full_disk_while_answers_are_written_ends_nothing(serve, tmp_path, monkeypatch):
    page = serve(do=do)
    phone = page.phone()
    gate = tmp_path / "go"
    jobs = [send(phone, f"wait for {gate}", k) for k in range(3)]

    def full(*_, **__):
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as disk:
        disk.setattr("visioncheck.page.jobs.replace_whole", full)
        gate.touch()
        until(lambda: all(is_done(phone, job) for job in jobs))
    assert "Done: wait" in phone.get(jobs[0]).text
    later = send(phone, "quick", 9)
    until(lambda: is_done(phone, later))
    # after a restart they are done again: nothing accepted is lost
    assert {f"/job/{job.id}" for job in reopened(page.desk.spool).unfinished()} == set(jobs)


# ---------------------------------------------------------------------- the spool by itself


@pytest.fixture
def spool(tmp_path):
    found = Spool(tmp_path / "page")
    found.open()
    return found


def test_the_same_photo_has_the_same_name_whenever_it_comes(spool):
    assert accepted(spool, 1).photo == accepted(spool, 1).photo != accepted(spool, 200).photo


def test_what_was_looked_at_is_known_after_a_restart(spool):
    jobs = [accepted(spool, k) for k in range(2)]
    for job in jobs:
        spool.finish(job, {"state": "refused", "sentence": "No.", "code": None})
    spool.see(spool.get(jobs[0].id))
    assert [job.seen for job in reopened(spool).answered()] == [False, True]


def accepted(spool, seed=0):
    photo = spool.incoming / f"{seed}.part"
    photo.write_bytes(picture(seed=seed))
    return spool.accept("measure", "me", {"note": "ä"}, photo, ".jpg")


def reopened(spool):
    again = Spool(spool.folder)
    again.open()
    return again


def test_what_was_accepted_is_there_after_a_restart_in_its_order(spool):
    jobs = [accepted(spool, k) for k in range(3)]
    spool.finish(spool.begin(jobs[0]), {"state": "done", "entry": "e"})
    again = reopened(spool)
    assert again.unfinished() == jobs[1:]
    assert (again.path(jobs[2]) / jobs[2].photo).read_bytes() == picture(seed=2)
    assert again.get(jobs[0].id).answer == {"state": "done", "entry": "e"}


def test_an_upload_that_never_became_a_job_goes_at_the_next_start(spool):
    (spool.incoming / "x.part").write_bytes(b"half a photo")
    half = spool.incoming / "0123456789abcdef"
    half.mkdir()
    (half / "job.json").write_text("{")
    again = reopened(spool)
    assert list(again.incoming.iterdir()) == []
    assert again.unfinished() == []


@pytest.mark.parametrize("text", ["", "{", "[]", '{"id": 1}', '{"id": "0123456789abcdef", "kind": "rm"}'])
def test_a_damaged_job_stops_nothing(spool, text):
    good = accepted(spool)
    bad = spool.path(good).parent / "0123456789abcdef"
    bad.mkdir()
    (bad / "job.json").write_text(text)
    assert reopened(spool).unfinished() == [good]


def test_old_answers_go_and_young_ones_stay(spool):
    old, young, waiting = accepted(spool, 1), accepted(spool, 2), accepted(spool, 3)
    for job in (old, young):
        spool.finish(job, {"state": "refused", "sentence": "No.", "code": None})
    for job in (old, waiting):
        file = spool.path(job) / "job.json"
        file.write_text(re.sub(r'"received": "\d{4}', '"received": "2020', file.read_text()))
    again = reopened(spool)
    assert again.get(old.id) is None
    assert again.get(young.id) is not None
    assert [job.id for job in again.unfinished()] == [waiting.id]  # however old: it was accepted


def test_a_sending_that_comes_again_while_the_first_is_looked_at_waits_for_it(serve, monkeypatch, tmp_path):
    looked = Desk._ending

    async def slowly(self, photo):
        await anyio.sleep(0.6)
        return await looked(self, photo)

    monkeypatch.setattr(Desk, "_ending", slowly)
    page = serve(do=do)
    phone = page.phone()
    gate = tmp_path / "go"

    def sending(mark):
        sent = {"rig": "none", "note": f"wait for {gate}", **mark}
        return phone.send(PHOTO, picture(seed=len(mark)), sent).header("location")

    for mark in ({"once": "a-1"}, {}):
        with ThreadPoolExecutor(3) as several:
            assert len(set(several.map(sending, [mark] * 3))) == 1, mark
    assert page.desk._sendings == {}
    gate.touch()
    until(lambda: not page.desk.spool.unfinished())
