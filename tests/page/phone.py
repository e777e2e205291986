"""A phone that speaks HTTP by hand, and what a test knows of the page that it speaks to."""

from __future__ import annotations

import http.client
import re
import secrets
import time
from dataclasses import dataclass, field
from pathlib import Path

import uvicorn

from visioncheck.page.desk import PageSettings

FIXTURES = Path(__file__).parents[2] / "fixtures"
PHOTOS = FIXTURES / "photos" / "light-a4"
SLED_KEY = "3ba04a7ad809"
"""Of "Alder Lane"."""


@dataclass
class Answer:
    status: int
    headers: list[tuple[str, str]]
    body: bytes

    @property
    def text(self):
        return self.body.decode()

    def header(self, name):
        return ", ".join(value for key, value in self.headers if key.lower() == name)


@dataclass
class Phone:
    """Asks like a browser: keeps cookies, sends the form's token."""

    port: int
    host: str = ""
    cookies: dict[str, str] = field(default_factory=dict)
    form_token: str = ""

    def ask(self, method, path, body=None, headers=None):
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        sent = {"Host": self.host or f"127.0.0.1:{self.port}"}
        if self.cookies:
            sent["Cookie"] = "; ".join(f"{name}={value}" for name, value in self.cookies.items())
        connection.request(method, path, body, {**sent, **(headers or {})})
        response = connection.getresponse()
        answer = Answer(response.status, response.getheaders(), response.read())
        connection.close()
        for name, value in answer.headers:
            if name.lower() == "set-cookie":
                key, _, rest = value.partition("=")
                self.cookies[key] = rest.partition(";")[0]
        return answer

    def get(self, path, **headers):
        answer = self.ask("GET", path, headers=headers)
        found = re.search(rb'name="form" value="([\w-]+)"', answer.body)
        if found and answer.status == 200:
            self.form_token = found[1].decode()
        return answer

    def post(self, path, fields=None, *, token=None, headers=None):
        from urllib.parse import urlencode

        pairs = {"form": self.form_token if token is None else token, **(fields or {})}
        kind = {"Content-Type": "application/x-www-form-urlencoded"}
        return self.ask("POST", path, urlencode(pairs), {**kind, **(headers or {})})

    def send(self, path, photo, fields=None, *, token=None, name="photo.jpg", kind="image/jpeg", headers=None):
        boundary, body = multipart(
            {"form": self.form_token if token is None else token, **(fields or {})}, photo, name, kind
        )
        form = {"Content-Type": f"multipart/form-data; boundary={boundary}"}
        return self.ask("POST", path, body, {**form, **(headers or {})})

    def enter(self, token):
        assert self.get(f"/enter/{token}").status == 200
        assert self.get("/").status == 200
        return self


def multipart(fields, photo, name="photo.jpg", kind="image/jpeg"):
    boundary = secrets.token_hex(12)
    parts = [
        f'--{boundary}\r\nContent-Disposition: form-data; name="{key}"\r\n\r\n{value}\r\n'.encode()
        for key, value in fields.items()
    ]
    head = f'--{boundary}\r\nContent-Disposition: form-data; name="photo"; filename="{name}"\r\n'
    head += f"Content-Type: {kind}\r\n\r\n"
    return boundary, b"".join([*parts, head.encode(), photo, f"\r\n--{boundary}--\r\n".encode()])


@dataclass
class Page:
    """A page that is being served."""

    settings: PageSettings
    port: int
    server: uvicorn.Server
    desk: object

    def phone(self):
        return Phone(self.port).enter(self.settings.key.token)

    def stranger(self, cookie=None):
        return Phone(self.port, cookies={self.settings.key.cookie: cookie} if cookie else {})

    def files(self):
        """Everything in the log's folder that may hold what a phone sent."""
        page = self.settings.places.page
        return sorted(
            str(path.relative_to(self.settings.log))
            for folder in (page / "incoming", page / "jobs", page / "surveys", self.settings.log / "photos")
            for path in folder.rglob("*")
            if path.is_file()
        )


def until(condition, seconds=60.0):
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline, "it did not come about"
        time.sleep(0.05)  # the page lets nobody ask without a pause
