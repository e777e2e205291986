"""Forms as they arrive: read piece by piece, bounded in size and time, a photo straight into a file."""

from __future__ import annotations

import contextlib
import re
import secrets
from dataclasses import dataclass
from typing import IO, TYPE_CHECKING
from urllib.parse import parse_qsl

import anyio
from python_multipart.exceptions import MultipartParseError
from python_multipart.multipart import MultipartParser, parse_options_header
from starlette.requests import ClientDisconnect

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable
    from pathlib import Path

    from starlette.requests import Request

FORM_TOKEN = "form"  # noqa: S105 - the field's name
_PHOTO = "photo"
_LONGEST_BOUNDARY = 70
"""RFC 2046, 5.1.1."""
_DRAINED = 8
"""So many times the bound is read away of what is refused: a browser shows an answer only after it has sent all."""


@dataclass(frozen=True)
class Bounds:
    """How much, how many, how long.

    Attributes
    ----------
    photo_bytes : int
        Of one photo; phones write 2 to 25 MB.
    form_bytes : int
        Of all the other fields together.
    fields : int
        Their number.
    whole_s, quiet_s : float
        For the whole form, and without a byte.
    """

    photo_bytes: int = 40 * 2**20
    form_bytes: int = 20_000
    fields: int = 40
    whole_s: float = 180.0
    quiet_s: float = 20.0


class RefusedForm(Exception):  # noqa: N818 - it is a refusal
    """A form that is not taken: an HTTP status, one sentence for the user, what to do, and the field at fault."""

    def __init__(self, status: int, sentence: str, remedy: str = "Go back and try again.", field: str = "") -> None:
        super().__init__(sentence)
        self.status, self.sentence, self.remedy, self.field = status, sentence, remedy, field


_NEARER = "Go nearer to the wireless station, then send it again."
FOREIGN_FORM = (403, "This form did not come from this page.", "Go back to the start and try again.")


@dataclass(frozen=True)
class Form:
    """What was filled in, and where the photo lies; the caller moves it away or removes it."""

    fields: dict[str, str]
    photo: Path | None = None


@contextlib.asynccontextmanager
async def read_form(
    request: Request, folder: Path, bounds: Bounds, is_token: Callable[[str], bool]
) -> AsyncIterator[Form]:
    """Read a posted form of either encoding; a photo that is still in `folder` afterwards is removed.

    Parameters
    ----------
    request : Request
        A POST.
    folder : Path
        Where a photo is written, under a name of our own.
    bounds : Bounds
        What is taken.
    is_token : callable
        Whether the form's token is this session's; it must come before a photo.

    Raises
    ------
    RefusedForm
        Too large, too slow, broken off, no form, or not from a page of ours.
    """
    with contextlib.closing(_sink_for(request, folder, bounds, is_token)) as sink:
        try:
            with anyio.fail_after(bounds.whole_s):
                await _pour(request, sink, bounds)
        except TimeoutError:
            raise RefusedForm(408, "The photo came too slowly.", _NEARER) from None
        except ClientDisconnect:
            raise RefusedForm(400, "The connection broke off.", _NEARER) from None
        yield sink.form()


def with_point(text: str) -> str:
    """Write a decimal comma as a point: nothing on the target is a thousand of anything."""
    return re.sub(r"(?<=\d),(?=\d)", ".", text)


def _sink_for(request: Request, folder: Path, bounds: Bounds, is_token: Callable[[str], bool]) -> _Sink:
    kind, options = parse_options_header(request.headers.get("content-type", ""))
    if kind == b"multipart/form-data" and 0 < len(options.get(b"boundary", b"")) <= _LONGEST_BOUNDARY:
        return _Multipart(options[b"boundary"], folder, bounds, is_token)
    if kind == b"application/x-www-form-urlencoded":
        return _Encoded(bounds, is_token)
    raise RefusedForm(415, "That is no form.")


async def _pour(request: Request, sink: _Sink, bounds: Bounds) -> None:
    """Give the sink all that arrives; what it refuses is read away, within bounds, before the refusal is said."""
    refusal: RefusedForm | None = None
    total = 0
    stream = request.stream().__aiter__()
    while True:
        with anyio.fail_after(bounds.quiet_s):
            chunk = await anext(stream, None)
        if chunk is None:
            break
        total += len(chunk)
        if refusal is None:
            try:
                sink.take(chunk)
            except RefusedForm as problem:
                refusal = problem
                sink.close()
        if total > _DRAINED * bounds.photo_bytes:
            break
    if refusal is not None:
        raise refusal


class _Sink:
    """What arrives of a form, whichever its encoding."""

    def __init__(self, bounds: Bounds, is_token: Callable[[str], bool]) -> None:
        self.bounds, self.is_token = bounds, is_token
        self.size = 0

    def take(self, chunk: bytes) -> None:
        """Take the next piece."""
        raise NotImplementedError

    def form(self) -> Form:
        """Give the whole form."""
        raise NotImplementedError

    def close(self) -> None:
        """Leave nothing behind."""

    def count(self, data: bytes) -> None:
        self.size += len(data)
        if self.size > self.bounds.form_bytes:
            raise RefusedForm(413, "That is too much text.")

    def checked(self, fields: dict[str, str]) -> dict[str, str]:
        if not self.is_token(fields.pop(FORM_TOKEN, "")):
            raise RefusedForm(*FOREIGN_FORM)
        return fields


class _Encoded(_Sink):
    """A plain form (URL standard, application/x-www-form-urlencoded)."""

    def __init__(self, bounds: Bounds, is_token: Callable[[str], bool]) -> None:
        super().__init__(bounds, is_token)
        self.body = bytearray()

    def take(self, chunk: bytes) -> None:
        self.count(chunk)
        self.body += chunk

    def form(self) -> Form:
        try:
            pairs = parse_qsl(self.body.decode("ascii"), keep_blank_values=True, max_num_fields=self.bounds.fields)
        except ValueError:
            raise RefusedForm(400, "That is no form.") from None
        return Form(self.checked({name: value.strip() for name, value in pairs}))


class _Multipart(_Sink):
    """A form with a photo (RFC 7578)."""

    def __init__(self, boundary: bytes, folder: Path, bounds: Bounds, is_token: Callable[[str], bool]) -> None:
        super().__init__(bounds, is_token)
        self.fields: dict[str, bytes] = {}
        self.path = folder / f"{secrets.token_hex(16)}.part"
        self.file: IO[bytes] | None = None
        self.photo_size = 0
        self.ended = False
        self._header = [b"", b""]
        self._headers: dict[bytes, bytes] = {}
        self._name = ""
        self._is_photo = False
        self.parser = MultipartParser(
            boundary,
            {
                "on_part_begin": self._begin,
                "on_header_field": lambda data, start, end: self._collect(0, data[start:end]),
                "on_header_value": lambda data, start, end: self._collect(1, data[start:end]),
                "on_header_end": self._end_header,
                "on_headers_finished": self._start,
                "on_part_data": lambda data, start, end: self._data(data[start:end]),
                "on_end": self._end,
            },
        )

    def take(self, chunk: bytes) -> None:
        try:
            self.parser.write(chunk)
        except MultipartParseError:
            raise RefusedForm(400, "The form is damaged.") from None
        except OSError:
            raise RefusedForm(507, "The computer cannot keep the photo.", "Free space on its disk.") from None

    def form(self) -> Form:
        if not self.ended:
            raise RefusedForm(400, "The photo did not arrive whole.")
        fields = self.checked({name: value.decode(errors="replace").strip() for name, value in self.fields.items()})
        if self.file is None:
            return Form(fields)
        self.file.close()
        return Form(fields, self.path if self.photo_size else None)

    def close(self) -> None:
        if self.file is not None:
            self.file.close()
            self.path.unlink(missing_ok=True)

    def _begin(self) -> None:
        self._headers = {}
        if len(self.fields) >= self.bounds.fields:
            raise RefusedForm(413, "That form has too many fields.")

    def _collect(self, which: int, data: bytes) -> None:
        self.count(data)
        self._header[which] += data

    def _end_header(self) -> None:
        self._headers[self._header[0].lower()] = self._header[1]
        self._header = [b"", b""]

    def _start(self) -> None:
        _, options = parse_options_header(self._headers.get(b"content-disposition", b""))
        self._name = options.get(b"name", b"").decode(errors="replace")
        # of the photo's own name only this: a field left empty has none (HTML, constructing the entry list)
        self._is_photo = self._name == _PHOTO and bool(options.get(b"filename"))
        if not self._is_photo:
            self.fields[self._name] = b""
            return
        if not self.is_token(self.fields.get(FORM_TOKEN, b"").decode(errors="replace")):
            raise RefusedForm(*FOREIGN_FORM)
        if self.file is not None:
            raise RefusedForm(400, "One photo at a time.")
        self.file = self.path.open("xb")

    def _data(self, data: bytes) -> None:
        if not self._is_photo:
            self.count(data)
            self.fields[self._name] += data
            return
        assert self.file is not None  # opened where its part began
        self.photo_size += len(data)
        if self.photo_size > self.bounds.photo_bytes:
            most = self.bounds.photo_bytes // 2**20
            raise RefusedForm(
                413, f"The photo is larger than {most} MB.", "Let the phone save an ordinary JPEG or HEIC."
            )
        self.file.write(data)

    def _end(self) -> None:
        self.ended = True
