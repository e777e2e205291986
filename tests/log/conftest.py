"""Small logs with invented sleds."""

from __future__ import annotations

import os
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest
from scipy import stats

from visioncheck.log import schema
from visioncheck.log.entry import EntryDraft
from visioncheck.log.store import Log

if TYPE_CHECKING:
    from pathlib import Path

SLED_TEXT = 'name = "Long sled"\nfence = "rear"\n'
RIG_TEXT = '{"rig": 1}'
START = datetime(2026, 3, 1, 9, 0, tzinfo=UTC)


def make_reading(value=0.012, u=0.002, dof=40.0):
    expanded = 2 * u if dof is None or dof > 30 else stats.t.ppf(0.975, int(dof)) * u
    return {
        "schema": 2,
        "kind": "corner",
        "photo": "offcut.jpg",
        "status": "measured",
        "piece": "corner",
        "fence_error_deg": {"value": value, "u": u, "dof": dof, "expanded": expanded},
        "flags": [],
    }


def make_draft(value=0.012, days=0.0, **changes):
    fields = {
        "sled": "Long sled",
        "reading": make_reading(value),
        "time": START + timedelta(days=days),
        "file_name": "offcut.jpg",
        "rig_text": RIG_TEXT,
        "sled_text": SLED_TEXT,
        "person": "Ida",
    }
    return EntryDraft(**{**fields, **changes})


def typed_draft(value=0.012, days=0.0, **changes):
    return make_draft(value, days, **{"kind": "typed", "file_name": "", "rig_text": None, **changes})


def make_photo(folder: Path, size: int = 2000, name: str = "offcut.jpg") -> Path:
    """Bytes that begin as a JPEG does; the log looks no further."""
    path = folder / name
    path.write_bytes(b"\xff\xd8\xff" + os.urandom(size))
    return path


def old_log(folder, monkeypatch, version, fill):
    """Make a log as an older version of the program wrote it: without the chain and its list."""
    with monkeypatch.context() as patch, Log.open(folder.with_name("none"), create=True):
        patch.setattr(schema, "MIGRATIONS", schema.MIGRATIONS[:version])
        patch.setattr(Log, "put_link", lambda *_: None)
        with Log.open(folder, create=True) as log:
            return fill(log)


@pytest.fixture
def log_folder(tmp_path):
    return tmp_path / "log"


@pytest.fixture
def log(log_folder):
    with Log.open(log_folder, create=True) as log:
        yield log
