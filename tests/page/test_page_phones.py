"""Who is let in: phones known, named and shut out one by one; TLS by a certificate of our own; a name that stays."""

from __future__ import annotations

import http.client
import ipaddress
import json
import re
import socket
import ssl
from datetime import UTC, datetime, timedelta

import pytest
from cryptography import x509
from test_page_views import words

from visioncheck.errors import UserError
from visioncheck.page.certificate import as_der, certificate_for, fingerprint
from visioncheck.page.naming import answering, page_name
from visioncheck.page.phones import Phones, phone_id
from visioncheck.page.safety import Key, load_key

SECRET = "s" * 32


def listed(answer):
    return re.findall(r'name="phone" value="(\w+)"', answer.text)[::2]


def test_a_phone_is_shut_out_alone_and_the_address_with_it(serve, tmp_path):
    page = serve(phones=tmp_path / "state" / "a.phones", addresses=("http://192.0.2.7:80",))
    own, other = page.phone(), page.phone()
    token = page.settings.key.token
    for name, value in own.cookies.items():
        if name == page.settings.key.cookie:
            session = page.settings.key.read_session(value)
    assert set(listed(other.get("/phones"))) > {phone_id(session)}
    other.post("/phones/name", {"phone": phone_id(session), "called-1": "<b>Lost one"})
    assert "&lt;b&gt;Lost one" in other.get("/phones").text
    assert own.get("/").status == 200
    assert other.post("/phones/out", {"phone": phone_id(session)}).status == 303
    assert own.get("/").status == 403
    assert own.get(f"/enter/{token}").status == 403  # it knows the old address
    assert page.stranger().get(f"/enter/{token}").status == 403
    assert other.get("/").status == 200
    assert page.settings.key.token in other.get("/phones").text
    assert token not in other.get("/phones").text
    assert page.phone().get("/").status == 200  # by the new address
    # and so it stays over a restart
    key = Key(page.settings.key._secret)
    again = Phones(tmp_path / "state" / "a.phones", key)
    assert key.token == page.settings.key.token
    assert not again.comes(session, "")
    assert again.comes("another", "")


def test_a_list_that_cannot_be_read_lets_nobody_back_in(tmp_path):
    path = tmp_path / "a.phones"
    for content in (b"", b"{}", b'{"turn": 1, "phones": [{"id": 1, "x": 2}]}', b"\xff"):
        path.write_bytes(content)
        with pytest.raises(UserError, match="list of phones"):
            Phones(path, Key(SECRET))


def test_phones_are_called_as_their_browser_says_and_are_not_without_end(tmp_path, monkeypatch):
    monkeypatch.setattr("visioncheck.page.phones._MOST", 5)
    phones = Phones(tmp_path / "x", Key(SECRET))
    assert phones.comes("one", "Browser/5.0 (Pocket; System 9\x07) Engine/1")
    assert [each.called for each in phones.all()] == ["Pocket; System 9"]
    phones.shut_out(phone_id("one"))
    for number in range(20):
        phones.comes(str(number), "")
    assert len(phones.all()) == 5
    assert not phones.comes("one", "")


def test_a_new_address_keeps_to_the_key(tmp_path):
    key = load_key(tmp_path / "key")
    first = key.token
    key.turn = 1
    assert key.token != first
    assert len(key.token) >= 32
    assert not key.is_token(first)
    assert key.read_session(Key(first).new_session())  # sessions stay


# ---------------------------------------------------------------------- TLS


def test_the_certificate_is_one_that_a_browser_takes_once_its_maker_is_trusted(tmp_path):
    served, trusted = certificate_for(tmp_path / "tls", "192.168.1.20", "saw.local")
    leaf, issuer = x509.load_pem_x509_certificates(served.read_bytes())
    leaf.verify_directly_issued_by(issuer)
    names = leaf.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    assert names.get_values_for_type(x509.DNSName) == ["saw.local"]
    assert names.get_values_for_type(x509.IPAddress) == [ipaddress.ip_address("192.168.1.20")]
    # CA/Browser Forum, Baseline Requirements, 6.3.2: 398 days at most
    assert leaf.not_valid_after_utc - leaf.not_valid_before_utc <= timedelta(days=398)
    assert not leaf.extensions.get_extension_for_class(x509.BasicConstraints).value.ca
    # RFC 5280, 4.2.1.10: who trusts it trusts it for a home's network alone
    bounds = issuer.extensions.get_extension_for_class(x509.NameConstraints)
    assert bounds.critical
    assert x509.DNSName("local") in bounds.value.permitted_subtrees
    assert x509.load_der_x509_certificate(as_der(trusted)) == issuer
    assert re.fullmatch(r"([0-9A-F]{2} ){31}[0-9A-F]{2}", fingerprint(trusted))
    assert all(path.stat().st_mode & 0o077 == 0 for path in (tmp_path / "tls").iterdir())


def test_it_is_made_anew_only_when_it_must_be(tmp_path):
    def read(address="192.168.1.20", later=0):
        now = datetime.now(UTC) + timedelta(days=later)
        served, trusted = certificate_for(tmp_path / "tls", address, "saw.local", now)
        return served.read_bytes(), trusted.read_bytes()

    first, authority = read()
    assert read() == (first, authority)
    assert read(later=300) == (first, authority)
    moved, same = read("192.168.1.21")
    assert (moved != first, same) == (True, authority)
    assert read("192.168.1.21", later=380)[0] != moved  # before it runs out
    (tmp_path / "tls" / "server.pem").write_text("odd")
    with pytest.raises(UserError, match="certificate"):
        read()


def test_the_page_speaks_tls_and_its_cookies_keep_to_it(serve, tmp_path):
    served, trusted = certificate_for(tmp_path / "tls", "127.0.0.1", "saw.local")
    page = serve(served=served, trusted=trusted, addresses=("https://127.0.0.1:1", "https://saw.local:1"))
    trust = ssl.create_default_context(cafile=str(trusted))

    def ask(path, headers=None):
        connection = http.client.HTTPSConnection("127.0.0.1", page.port, context=trust, timeout=20)
        connection.request("GET", path, headers={"Host": f"127.0.0.1:{page.port}", **(headers or {})})
        answer = connection.getresponse()
        content = answer.read()
        connection.close()
        return answer, content

    answer, _ = ask(f"/enter/{page.settings.key.token}")
    assert answer.status == 200
    assert "Secure" in answer.getheader("set-cookie")
    cookie = {"Cookie": answer.getheader("set-cookie").partition(";")[0]}
    assert ask("/", cookie)[0].status == 200
    assert ask("/", cookie | {"Origin": f"https://127.0.0.1:{page.port}"})[0].status == 200
    assert ask("/", cookie | {"Origin": f"http://127.0.0.1:{page.port}"})[0].status == 403
    shown = ask("/phones", cookie)[1].decode()
    assert fingerprint(trusted) in shown
    assert ask("/certificate", cookie)[1] == as_der(trusted)
    assert ask("/code.svg", cookie)[1].startswith(b"<?xml")
    strict = ssl.create_default_context()  # as a phone that does not trust it yet
    connection = http.client.HTTPSConnection("127.0.0.1", page.port, context=strict, timeout=20)
    with pytest.raises(ssl.SSLCertVerificationError):
        connection.request("GET", "/")


def test_without_tls_there_is_no_certificate_to_take(serve):
    phone = serve().phone()
    assert phone.get("/certificate").status == 404
    assert phone.get("/code.svg").status == 404
    assert "certificate" not in words(phone.get("/phones"))


# ---------------------------------------------------------------------- a name


def test_the_name_is_answered_to_who_asks(tmp_path):
    name = page_name(tmp_path)
    assert re.fullmatch(r"visioncheck-[0-9a-f]{4}\.local", name)
    assert page_name(tmp_path / "other") != name
    with answering(name, "127.0.0.1", 8765, "https") as named:
        if not named:
            pytest.skip("this machine's network takes no multicast")
        assert asked(name) == "127.0.0.1"


def asked(name):
    """Ask by hand, as RFC 6762, 5.1 has it: one question from a port of one's own, answered to that."""
    labels = b"".join(bytes([len(each)]) + each.encode() for each in name.split("."))
    question = b"\0\7\0\0\0\1\0\0\0\0\0\0" + labels + b"\0" + b"\0\1" + b"\0\1"
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        asking.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, socket.inet_aton("127.0.0.1"))
        asking.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_LOOP, 1)
        asking.settimeout(5)
        asking.sendto(question, ("224.0.0.251", 5353))
        answer = asking.recv(9000)
    # RFC 1035, 3.2.1 and 3.4.1: type A, class IN, time to live, four bytes
    return socket.inet_ntoa(re.search(rb"\x00\x01[\x00\x80]\x01.{4}\x00\x04(.{4})", answer, re.DOTALL)[1])


def test_a_network_that_takes_no_name_costs_nothing(monkeypatch):
    import zeroconf

    def none(*_, **__):
        raise OSError("no multicast")

    monkeypatch.setattr(zeroconf, "Zeroconf", none)
    with answering("saw.local", "127.0.0.1", 1, "http") as named:
        assert not named


# ---------------------------------------------------------------------- on the home screen


def test_it_can_be_put_on_the_home_screen(serve):
    phone = serve().phone()
    start = phone.get("/").text
    assert 'rel="manifest" href="/asset/page.webmanifest" crossorigin="use-credentials"' in start
    manifest = json.loads(phone.get("/asset/page.webmanifest").body)
    # W3C, Web Application Manifest; what browsers ask for before they offer to install
    assert {"name", "start_url", "display", "icons"} <= set(manifest)
    for icon in manifest["icons"]:
        sent = phone.get(icon["src"])
        assert sent.status == 200
        assert sent.header("content-type") == icon["type"]
        if icon["type"] == "image/png":
            width, height = (int.from_bytes(sent.body[at : at + 4], "big") for at in (16, 20))  # PNG, 11.2.2
            assert f"{width}x{height}" == icon["sizes"]
    assert phone.get("/worker.js").header("content-type").startswith("text/javascript")
    away = words(phone.get("/away"))
    assert "The computer does not answer" in away
    assert "Unplug the saw" in away
