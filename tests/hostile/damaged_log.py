"""Damage a log at random and look at it: `python -m tests.hostile.damaged_log COUNT [SEED]`.

Whatever is done to its files, `log check` names it and raises nothing, the questions answer or say one sentence, and
`--clean` loses no photo. What each damage was, is told by the seed.
"""

from __future__ import annotations

import random
import shutil
import sqlite3
import sys
import tempfile
from pathlib import Path

from tests.log.conftest import make_draft, make_photo, typed_draft
from visioncheck.errors import UserError
from visioncheck.log import records
from visioncheck.log.check import check_folder
from visioncheck.log.clean import clean
from visioncheck.log.schema import FILE_NAME
from visioncheck.log.store import Log

_NEVER = ("entry_no_update", "entry_no_delete", "link_no_update", "link_no_delete")


def make_logs(folder: Path) -> tuple[Path, Path]:
    """Make a log of every kind of record, and its earlier database: a typed entry, a photo and a tag are later."""
    log_folder, older = folder / "whole", folder / "older.sqlite"
    with Log.open(log_folder, create=True) as log:
        old = log.attach(make_draft(note="first"), make_photo(folder))
        log.attach(make_draft(days=1, note="second"), make_photo(folder))
        log.attach(typed_draft(days=2))
        log.assign_tag(7, "Long sled")
        log.attach(make_draft(days=3, corrects=old.id, photo_sha256=old.photo_sha256, person="Bo"))
    shutil.copyfile(log_folder / FILE_NAME, older)
    with Log.open(log_folder) as log:
        log.attach(typed_draft(days=4))
        log.attach(make_draft(days=5, note="last"), make_photo(folder))
        log.assign_tag(8, "Long sled")
    return log_folder, older


def flip_bit(path: Path, chance: random.Random) -> str:
    """Turn one bit of a file over, in a byte that is in use."""
    data = bytearray(path.read_bytes())
    place, bit = chance.choice([k for k, byte in enumerate(data) if byte]), chance.randrange(8)
    data[place] ^= 1 << bit
    path.write_bytes(data)
    return f"bit {bit} of byte {place} of {path.name}"


def delete_row(folder: Path, table: str, numbers: tuple[int, ...], chance: random.Random) -> str:
    """Take a row out behind the program's back."""
    number = chance.choice(numbers)
    connection = sqlite3.connect(folder / FILE_NAME, isolation_level=None)
    for trigger in _NEVER:
        connection.execute(f"DROP TRIGGER {trigger}")
    key = "tag" if table == "tag" else "number"
    connection.execute(f"DELETE FROM {table} WHERE {key} = ?", (number,))  # noqa: S608 - own names
    connection.close()
    return f"row {number} of {table} deleted"


def put_back_older(folder: Path, older: Path) -> str:
    """Put an older database back beside newer photos."""
    shutil.copyfile(older, folder / FILE_NAME)
    return "an older database put back"


def lose(photo: Path, to: Path | None) -> str:
    """Delete or rename a photo."""
    if to is None:
        photo.unlink()
    else:
        photo.rename(to)
    return f"{photo.name} lost or renamed"


def cut_off(path: Path, chance: random.Random) -> str:
    """Cut a file off."""
    path.write_bytes(path.read_bytes()[: chance.randrange(path.stat().st_size)])
    return f"{path.name} cut off"


def damage(folder: Path, older: Path, chance: random.Random) -> tuple[str, bool]:
    """Do one thing to a log; returns what, and whether it must be found."""
    database, photo = folder / FILE_NAME, chance.choice(sorted((folder / "photos").rglob("*.jpg")))
    # a byte of a page that nothing reads any more tells nothing, nor does a line break become another blank
    quiet = (lambda: flip_bit(database, chance), lambda: flip_bit(folder / records.FILE_NAME, chance))
    loud = (
        lambda: flip_bit(photo, chance),
        lambda: delete_row(folder, "entry", (1, 2, 3, 4, 5, 6), chance),
        lambda: delete_row(folder, "link", (1, 2, 3, 4, 5, 6, 7, 8), chance),
        lambda: delete_row(folder, "tag", (7, 8), chance),
        lambda: put_back_older(folder, older),
        lambda: lose(photo, chance.choice([None, photo.with_name("IMG_0001.jpg")])),
        lambda: cut_off(database, chance),
    )
    way = chance.choices((*quiet, *loud), weights=(8, *(1 for _ in range(len(loud) + 1))))[0]
    return way(), way in loud


def photo_bytes(folder: Path) -> set[bytes]:
    """Contents of all photos that are still anywhere in the log's folder."""
    return {path.read_bytes() for path in folder.rglob("*.jpg") if path.is_file()}


def look(folder: Path) -> int:
    """Ask a damaged log all questions; returns the number of problems."""
    problems = list(check_folder(folder))
    for problem in problems:
        problem.what.encode()
        assert "\n" not in problem.what, problem
    before = photo_bytes(folder)
    try:
        with Log.open(folder) as log:
            clean(log)
    except UserError as problem:
        str(problem).encode()
    assert photo_bytes(folder) == before, "a photo was lost"
    list(check_folder(folder))
    return len(problems)


def main(count: int, seed: int) -> None:
    """Damage that many copies."""
    found = harmless = 0
    with tempfile.TemporaryDirectory() as name:
        whole, older = make_logs(Path(name))
        assert list(check_folder(whole)) == []
        for k in range(count):
            chance = random.Random(seed + k)  # noqa: S311 - no secret
            folder = Path(name) / "damaged"
            shutil.copytree(whole, folder)
            what, must_be_found = damage(folder, older, chance)
            try:
                problems = look(folder)
            except Exception as error:
                error.add_note(f"seed {seed + k}: {what}")
                raise
            assert problems or not must_be_found, f"seed {seed + k}: {what}: not found"
            found += problems > 0
            harmless += problems == 0
            shutil.rmtree(folder)
    print(
        f"{count} damaged logs: {found} named, {harmless} without an effect, none ended in a traceback or lost a photo"
    )


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 1)
