"""The page is closed to whoever has not its address, and what comes in is bounded."""

from __future__ import annotations

import contextlib
import re
import socket
import time
from dataclasses import replace
from pathlib import Path

import pytest
from page_pictures import picture, png_bomb
from phone import SLED_KEY, multipart, until
from pretended_work import do

from visioncheck.page import serve as serving
from visioncheck.page.app import _routes
from visioncheck.page.safety import FORBIDDEN, Buckets, Key, Rate, load_key
from visioncheck.page.serve import PromptProtocol, key_file
from visioncheck.page.uploads import Bounds

PHOTO = f"/sled/{SLED_KEY}/photo"
PAGE = Path(__file__).parents[2] / "visioncheck" / "page"
SOME = {"rig": "none", "note": "quick"}


# ---------------------------------------------------------------------- who comes in


def test_address_with_the_token_gives_a_cookie_that_opens_the_page(serve):
    page = serve()
    phone = page.stranger()
    answer = phone.get(f"/enter/{page.settings.key.token}")
    assert answer.status == 200
    cookie = answer.header("set-cookie")
    assert "HttpOnly" in cookie
    # lax, not strict: from a link in a mail a strict one stays behind, and a survey under way would seem lost
    assert "SameSite=lax" in cookie
    assert page.settings.key.token not in cookie
    assert phone.get("/").status == 200
    # once inside, the address with the token is not needed and not shown again
    assert page.settings.key.token not in phone.get("/").text


@pytest.mark.parametrize("path", ["/", "/enter/", "/enter/wrong", "/log", "/asset/page.css", "/nowhere", PHOTO])
def test_without_the_token_every_address_says_the_same_and_nothing_else(serve, path):
    page = serve()
    answers = [
        page.stranger().get(path),
        page.stranger().post(path),
        page.stranger("a.b").get(path),
    ]
    for answer in answers:
        assert (answer.status, answer.text) == (403, FORBIDDEN)
        assert not answer.header("set-cookie")


def test_a_token_almost_right_or_a_cookie_of_another_key_is_wrong(serve):
    page = serve()
    token = page.settings.key.token
    for wrong in (token[:-1], token + "a", token[:-1] + ("a" if token[-1] != "a" else "b"), token.swapcase(), "%C3%A4"):
        assert page.stranger().get(f"/enter/{wrong}").status == 403
    assert page.stranger(Key("x" * 32).new_session()).get("/").status == 403
    forged = page.settings.key.new_session().replace("0", "1", 1).replace("2", "3", 1)
    assert page.stranger(forged).get("/").status == 403


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:80", "127.0.0.1", "127.0.0.1:1", "localhost.evil.example"]
)
def test_another_host_name_is_refused_also_with_the_cookie(serve, host):
    page = serve()
    phone = page.phone()
    phone.host = host
    assert phone.get("/").status == 403


def test_own_names_are_let_in(serve):
    page = serve()
    phone = page.phone()
    phone.host = f"localhost:{page.port}"
    assert phone.get("/").status == 200


def test_every_answer_has_the_safe_headers(serve):
    page = serve()
    phone = page.phone()
    answers = [
        phone.get("/"),
        phone.get("/asset/page.js"),
        phone.get("/nowhere"),
        page.stranger().get("/"),
        phone.post("/units", {"units": "x"}),
    ]
    assert [answer.status for answer in answers] == [200, 200, 404, 403, 400]
    for answer in answers:
        policy = answer.header("content-security-policy")
        assert "default-src 'none'" in policy
        assert "frame-ancestors 'none'" in policy
        assert "unsafe" not in policy
        assert answer.header("x-content-type-options") == "nosniff"
        assert answer.header("referrer-policy") == "same-origin"
        assert not answer.header("server")


def test_no_page_has_script_or_style_inside():
    # what the policy forbids would silently not work
    for template in (PAGE / "templates").glob("*.j2"):
        text = template.read_text("utf-8")
        assert not re.search(r"<style|\sstyle=|\son\w+=|javascript:", text), template
        assert re.findall(r"<script[^>]*>", text) in ([], ['<script src="/asset/page.js" defer>']), template
        assert "//" not in re.sub(r"{#.*?#}", "", text, flags=re.DOTALL).replace("{{ path }}", ""), (
            f"{template}: an address elsewhere"
        )


def test_too_many_requests_are_told_to_wait(serve):
    page = serve(rate=Rate(burst=20, each_second=0.5))
    statuses = [page.stranger().get("/").status for _ in range(25)]
    assert statuses[:20] == [403] * 20
    assert set(statuses[20:]) == {429}
    until(lambda: page.stranger().get("/").status == 403, 10)


def test_buckets_forget_addresses_and_do_not_grow():
    buckets = Buckets(Rate(burst=1, each_second=0.0))
    assert buckets.take("a")
    assert not buckets.take("a")
    assert all(buckets.take(f"10.0.{k // 250}.{k % 250}") for k in range(1500))
    assert len(buckets._left) == 1000


def test_the_key_is_its_owners_alone_and_stays(tmp_path):
    path = tmp_path / "key"
    first = load_key(path)
    assert path.stat().st_mode & 0o077 == 0
    assert len(first.token) >= 32
    assert load_key(path).token == first.token
    assert load_key(path, new=True).token != first.token


def test_the_key_does_not_lie_in_the_log_that_people_copy(tmp_path):
    log, other = tmp_path / "log", tmp_path / "other"
    load_key(key_file(log))
    assert not key_file(log).is_relative_to(log)
    assert load_key(key_file(log)).token != load_key(key_file(other)).token
    assert key_file(log).parent.stat().st_mode & 0o077 == 0


# ---------------------------------------------------------------------- forms


def _posts():
    filled = {"key": SLED_KEY, "job": "0123456789abcdef", "entry": "0123456789abcdef", "way": "strip"}
    return [route.path.format(**filled) for route in _routes() if "POST" in route.methods]


@pytest.mark.parametrize("path", _posts())
def test_no_form_is_taken_without_its_token(serve, path):
    page = serve(do=do)
    phone = page.phone()
    strangers_token = page.phone().form_token
    for token in ("", "0" * 64, strangers_token):
        # an address that names nothing may say so first
        assert phone.post(path, SOME, token=token).status in {403, 404}
        assert phone.send(path, picture(), SOME, token=token).status in {403, 404}
    assert page.files() == []


def test_a_photo_before_its_token_is_not_taken(serve):
    page = serve(do=do)
    phone = page.phone()
    boundary, body = multipart({}, picture())
    tail = (
        f'--{boundary}\r\nContent-Disposition: form-data; name="form"\r\n\r\n{phone.form_token}\r\n--{boundary}--\r\n'
    )
    body = body.removesuffix(f"--{boundary}--\r\n".encode()) + tail.encode()
    answer = phone.ask("POST", PHOTO, body, {"Content-Type": f"multipart/form-data; boundary={boundary}"})
    assert answer.status == 403
    assert page.files() == []


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "https://127.0.0.1"])
def test_a_form_from_another_site_is_refused_even_with_the_token(serve, origin):
    page = serve(do=do)
    phone = page.phone()
    assert phone.post("/units", {"units": "in"}, headers={"Origin": origin}).status == 403
    assert phone.post("/units", {"units": "in"}, headers={"Origin": f"http://127.0.0.1:{page.port}"}).status == 303


def test_units_lead_back_to_this_page_only(serve):
    phone = serve().phone()
    for back, to in (
        ("/log", "/log"),
        ("//evil.example", "/"),
        ("http://evil.example", "/"),
        ("/\\evil", "/"),
        ("/a\r\nb", "/"),
    ):
        assert phone.post("/units", {"units": "in", "back": back}).header("location") == to


# ---------------------------------------------------------------------- uploads


def test_a_photo_is_taken_and_gone_when_it_is_done(serve):
    page = serve(do=do)
    phone = page.phone()
    answer = phone.send(PHOTO, picture(), SOME)
    assert answer.status == 303
    until(lambda: "Done: quick." in phone.get(answer.header("location")).text)
    assert not any(re.search(r"\.(jpg|part)$", name) for name in page.files())


def test_bytes_are_bounded_while_they_arrive(serve, small_bounds):
    page = serve(do=do, bounds=small_bounds)
    phone = page.phone()
    answer = phone.send(PHOTO, picture() + b"\0" * 300_000, SOME)
    assert answer.status == 413
    assert "larger than" in answer.text
    assert page.files() == []


def test_bytes_are_bounded_without_a_declared_length(serve, small_bounds):
    page = serve(do=do, bounds=small_bounds)
    phone = page.phone()
    boundary, body = multipart({"form": phone.form_token, **SOME}, picture() + b"\0" * 300_000)
    pieces = (body[k : k + 50_000] for k in range(0, len(body), 50_000))  # chunked: no length is told
    answer = phone.ask("POST", PHOTO, pieces, {"Content-Type": f"multipart/form-data; boundary={boundary}"})
    assert answer.status == 413
    assert page.files() == []


def test_a_form_that_stops_before_its_end_is_not_taken(serve):
    page = serve(do=do)
    phone = page.phone()
    boundary, body = multipart({"form": phone.form_token, **SOME}, picture())
    end = body.rindex(b"\r\n--")
    answer = phone.ask("POST", PHOTO, body[:end], {"Content-Type": f"multipart/form-data; boundary={boundary}"})
    assert answer.status == 400
    assert "did not arrive whole" in answer.text
    assert page.files() == []


def test_text_and_fields_are_bounded(serve, small_bounds):
    page = serve(do=do, bounds=small_bounds)
    phone = page.phone()
    assert phone.post("/units", {"units": "x" * 6_000}).status == 413
    assert phone.send(PHOTO, picture(), {**SOME, "note": "x" * 6_000}).status == 413
    assert phone.send(PHOTO, picture(), {f"f{k}": "" for k in range(30)}).status == 413
    assert phone.post("/units", {f"f{k}": "" for k in range(30)}).status == 400
    assert page.files() == []


def test_pixels_are_bounded_before_anything_is_decoded(serve):
    page = serve(do=do)
    phone = page.phone()
    began = time.monotonic()
    for width, height in ((60_000, 60_000), (12_000, 10_000)):  # beyond every bound, and just beyond ours
        answer = phone.send(PHOTO, png_bomb(width, height), SOME)
        assert answer.status == 415
        assert "megapixels" in answer.text
    assert time.monotonic() - began < 30
    assert phone.send(PHOTO, picture(size=(100, 100)), SOME).status == 415
    assert page.files() == []


@pytest.mark.parametrize(
    "content",
    [
        b"<script>alert(1)</script>" * 50,
        b"\xff\xd8\xff" + b"\0" * 500,
        picture()[:-200],
        picture("GIF"),
        picture("BMP"),
        b"%PDF-1.7\n" * 40,
    ],
    ids=["text", "false-jpeg", "cut-jpeg", "gif", "bmp", "pdf"],
)
def test_content_decides_what_is_a_photo_and_not_its_name_or_declared_type(serve, content):
    page = serve(do=do)
    phone = page.phone()
    answer = phone.send(PHOTO, content, SOME, name="photo.jpg", kind="image/jpeg")
    assert answer.status == 415
    assert page.files() == []
    assert phone.send(PHOTO, picture("PNG"), SOME, name="letter.txt", kind="text/plain").status == 303


def test_no_path_that_a_phone_names_is_ever_used(serve, tmp_path):
    page = serve(do=do)
    phone = page.phone()
    before = {path for path in tmp_path.rglob("*") if "page" not in path.parts}
    for name in ("../../../escaped.jpg", "/etc/passwd", "..\\..\\escaped.jpg", "a\0b.jpg", "x" * 500):
        answer = phone.send(PHOTO, picture(seed=len(name)), SOME, name=name)
        assert answer.status == 303
        location = answer.header("location")
        assert re.fullmatch(r"/job/[0-9a-f]{16}", location)
        until(lambda there=location: "Done:" in phone.get(there).text)
    for path in (
        "/sled/..%2f..%2fkey",
        "/job/..%2f..%2fkey",
        "/reading/..%2fkey1",
        "/picture/..%2f..%2fkey",
        "/asset/..%2fserve.py",
        "/print/..",
        "/chart/..",
        "/typed/a/b",
        "/asset/../serve.py",
    ):
        assert phone.get(path).status == 404, path
    assert phone.send(PHOTO, picture(), {"rig": "../rig.json"}).status == 400
    assert {path for path in tmp_path.rglob("*") if "page" not in path.parts} == before


def upload_head(page, phone, boundary, length):
    cookie = page.settings.key.cookie
    lines = (
        f"POST {PHOTO} HTTP/1.1",
        f"Host: 127.0.0.1:{page.port}",
        f"Cookie: {cookie}={phone.cookies[cookie]}",
        f"Content-Type: multipart/form-data; boundary={boundary}",
        f"Content-Length: {length}",
    )
    return "\r\n".join((*lines, "", "")).encode()


def test_broken_and_slow_uploads_hold_nothing_up_and_leave_nothing(serve, small_bounds):
    page = serve(do=do, bounds=replace(small_bounds, whole_s=600.0))
    phone = page.phone()
    boundary, body = multipart({"form": phone.form_token, **SOME}, picture())
    head = upload_head(page, phone, boundary, len(body))
    half = [socket.create_connection(("127.0.0.1", page.port)) for _ in range(12)]
    for connection in half:
        connection.sendall(head + body[: len(body) // 2])
    until(lambda: len(page.files()) == 12)  # they have all begun
    began = time.monotonic()
    assert phone.get("/").status == 200
    assert phone.send(PHOTO, picture(seed=1), SOME).status == 303
    assert time.monotonic() - began < 10
    for connection in half[:6]:  # broken off
        connection.close()
    for connection in half[6:]:  # silent: answered, then closed
        connection.settimeout(20)
        assert b" 408 " in connection.recv(4096)
        connection.close()
    until(lambda: not any("incoming" in name for name in page.files()))


def test_a_photo_that_drips_is_given_up_in_the_end(serve):
    page = serve(do=do, bounds=Bounds(whole_s=2.0, quiet_s=1.0))
    phone = page.phone()
    boundary, body = multipart({"form": phone.form_token, **SOME}, picture())

    head = upload_head(page, phone, boundary, len(body))
    connection = socket.create_connection(("127.0.0.1", page.port))
    connection.sendall(head + body[:800])
    began = time.monotonic()
    connection.settimeout(0.1)
    answer = b""
    while not answer:  # a drop each tenth of a second: never quiet for long
        assert time.monotonic() - began < 10
        connection.sendall(b"x")
        with contextlib.suppress(TimeoutError):
            answer = connection.recv(4096)
    assert b" 408 " in answer
    connection.close()
    until(lambda: page.files() == [])


def test_connections_without_a_request_are_closed(serve, monkeypatch):
    monkeypatch.setattr(PromptProtocol, "head_s", 0.5)
    page = serve()
    silent = [socket.create_connection(("127.0.0.1", page.port)) for _ in range(30)]
    silent[0].sendall(b"GET / HTTP/1.1\r\nHost:")
    assert page.stranger().get("/").status == 403
    for connection in silent:
        connection.settimeout(10)
        assert connection.recv(100) == b""
        connection.close()


def test_idle_connections_lock_nobody_out(serve, monkeypatch):
    monkeypatch.setattr(serving, "_MOST_CONNECTIONS", 100)
    page = serve()
    phone = page.phone()
    idle = [socket.create_connection(("127.0.0.1", page.port)) for _ in range(120)]
    until(lambda: len(page.server.server_state.connections) <= serving._MOST_OF_ONE)
    assert phone.get("/").status == 200
    idle[0].settimeout(5)
    assert idle[0].recv(10) == b""  # the oldest went
    for connection in idle:
        connection.close()


def test_an_answer_is_sent_at_once(serve):
    # without TCP_NODELAY a short answer waits for the acknowledgement of the one before (RFC 896): some 40 ms
    page = serve()
    page.phone()
    connection = socket.create_connection(("127.0.0.1", page.port))
    until(lambda: page.server.server_state.connections)
    for each in page.server.server_state.connections:
        assert each.transport.get_extra_info("socket").getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
    connection.close()


@pytest.mark.parametrize("length", [71, 257, 3000])
def test_a_boundary_longer_than_the_standard_allows_is_no_form(serve, length):
    page = serve(do=do)
    phone = page.phone()
    kind = {"Content-Type": f"multipart/form-data; boundary={'b' * length}"}
    answer = phone.ask("POST", PHOTO, b"--x", kind)
    assert answer.status == 415
    assert "That is no form" in answer.text


def test_the_field_for_another_photo_may_stay_empty(serve):
    page = serve(do=do)
    phone = page.phone()
    boundary, body = multipart({"form": phone.form_token, **SOME}, picture())
    empty = f'--{boundary}\r\nContent-Disposition: form-data; name="photo"; filename=""\r\n\r\n\r\n'
    kind = {"Content-Type": f"multipart/form-data; boundary={boundary}"}
    first = body.replace(
        f'--{boundary}\r\nContent-Disposition: form-data; name="photo"'.encode(),
        empty.encode() + f'--{boundary}\r\nContent-Disposition: form-data; name="photo"'.encode(),
    )
    last = body.removesuffix(f"--{boundary}--\r\n".encode()) + empty.encode() + f"--{boundary}--\r\n".encode()
    assert len(first) == len(last) > len(body)
    for sent in (first, last):
        assert phone.ask("POST", PHOTO, sent, kind).status == 303
    assert phone.send(PHOTO, b"", SOME, name="").status == 400


def test_a_full_disk_is_said_and_nothing_stays(serve, monkeypatch):
    page = serve(do=do)
    phone = page.phone()

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("visioncheck.page.jobs._sync", full)
    answer = phone.send(PHOTO, picture(), SOME)
    assert answer.status == 507
    assert page.files() == []
