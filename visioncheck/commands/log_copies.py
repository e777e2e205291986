"""``visioncheck log export, import, check, backup, restore``: a log that stays whole, and its copies."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from visioncheck.commands.log_attach import LogFolder
from visioncheck.errors import UserError

if TYPE_CHECKING:
    from visioncheck.log.backup import Copied
    from visioncheck.log.chain import Link


def export(
    log: LogFolder,
    output: Annotated[Path, typer.Option("-o", "--output", metavar="FILE", help="A .json or .csv file.")],
) -> None:
    """Write the whole log but its photos to one file, from which import rebuilds it."""
    import io

    from visioncheck.files import refuse_overwriting, write_text
    from visioncheck.log.exchange import export_csv, export_json
    from visioncheck.log.schema import last_link
    from visioncheck.log.store import Log

    refuse_overwriting({"--output": output}, [log / "log.sqlite", log / "records.txt"])
    write = {".json": export_json, ".csv": export_csv}.get(output.suffix.lower())
    if write is None:
        raise UserError(f"{output} must end in .json or .csv.")
    stream = io.StringIO(newline="")
    with Log.open(log, readonly=True) as open_log:
        write(open_log, stream)
        head = last_link(open_log.connection)
    write_text(output, stream.getvalue())
    typer.echo(f"Wrote {output}, {_format_head(head)}; the photos stay in {log / 'photos'}.")


def import_entries(
    log: LogFolder,
    source: Annotated[Path, typer.Argument(metavar="FILE", help="What export wrote.")],
    photos: Annotated[
        Path | None, typer.Option(metavar="FOLDER", help="The exported log's photos folder, unless it is this log's.")
    ] = None,
    keep_ours: Annotated[
        bool,
        typer.Option("--keep-ours", help="Where both say something else of one tag or photo, keep what this log says."),
    ] = False,
) -> None:
    """Add an exported log's entries: all of them, or none with the reason."""
    import io

    from visioncheck import checks
    from visioncheck.files import read_text
    from visioncheck.log.exchange import read_csv, read_json
    from visioncheck.log.merge import merge
    from visioncheck.log.store import Log

    read = {".json": read_json, ".csv": read_csv}.get(source.suffix.lower())
    if read is None:
        raise UserError(f"{source} must end in .json or .csv.")
    text = read_text(source, "export file", largest=checks.EXPORT_MOST_BYTES)
    exported = read(io.StringIO(text, newline=""))
    with Log.open(log, create=True) as open_log:
        merged = merge(open_log, exported, photos, keep_ours=keep_ours)
    for each in merged.left_out:
        typer.echo(each, err=True)
    if keep_ours and not merged.left_out:
        typer.echo("--keep-ours had no effect: the log and the export contradict each other nowhere.", err=True)
    if photos is not None and not merged.photos:
        typer.echo(f"--photos {photos} had no effect: no entry that was added has a photo.", err=True)
    if not merged.is_proved:
        typer.echo(f"{source} was written by an older version: whether it is all there cannot be told.", err=True)
    typer.echo(f"Added {merged.added} entries to the log {log}.")


def check(
    log: LogFolder,
    clean: Annotated[
        bool,
        typer.Option("--clean", help="Put photos back where they belong, and what broken-off writes left aside."),
    ] = False,
) -> None:
    """Check every hash, row and file of the log, and that none is missing; exit code 1 when something is wrong."""
    from visioncheck.log.check import check_folder
    from visioncheck.log.schema import CHAINED, last_link, read_version
    from visioncheck.log.store import Log

    if clean:
        _clean(log)
    problems = list(check_folder(log))
    for problem in problems:
        typer.echo(problem.what)
    if any(problem.is_harmless for problem in problems):
        typer.echo(f"What a broken-off write left harms nothing; clear it away: visioncheck log check {log} --clean")
    if problems:
        raise typer.Exit(1)
    with Log.open(log, readonly=True) as open_log:
        if read_version(open_log.connection) < CHAINED:
            typer.echo("It is of an older version, in which nothing tells of a missing entry; the next one chains it.")
            head = ""
        else:
            head = f", {_format_head(last_link(open_log.connection))}"
        taken_in = next((link for link in open_log.links() if link.kind == "taken in"), None)
    if taken_in is not None:
        typer.echo(f"Its first {taken_in.name} records were there before it was chained, and are as they were then.")
    typer.echo(f"The log {log} is whole{head}.")


def _clean(folder: Path) -> None:
    from visioncheck.log.clean import clean
    from visioncheck.log.store import Log

    with Log.open(folder) as open_log:
        cleared = clean(open_log)
        for each in cleared:
            if each.to is None:
                typer.echo(f"Removed {each.path}.")
            elif each.to == each.path:
                typer.echo(f"Wrote {each.path} anew.")
            else:
                typer.echo(
                    f"{'Put back' if each.is_back else 'Moved'} {each.path} {'as' if each.is_back else 'to'} {each.to}."
                )
        if not cleared:
            typer.echo("--clean had no effect: there was nothing to put back or to clear away.")


def _format_head(head: Link | None) -> str:
    """Name how many records a log has and its newest one's hash, by which two copies can be compared."""
    return "without a record" if head is None else f"{head.number} records, the last {head.sha256[:16]}"


def backup(
    log: LogFolder,
    to: Annotated[Path, typer.Argument(metavar="TO", help="A new folder, or an earlier backup of this log.")],
) -> None:
    """Copy the log with its photos, while others use it; again: bring the copy up to date."""
    from visioncheck.log.backup import back_up

    copied = back_up(log, to)
    _say_lost(copied)
    counted = f"{copied.photos} photos ({copied.new_photos} new)"
    typer.echo(f"{to} is a copy of the log {log}: {_format_head(copied.head)}, {counted}.")
    if copied.lacking:
        typer.echo(f"The copy lacks what the log lacks: {_counted(copied)}. All the rest is in it.")
    if not copied.is_whole:
        typer.echo(f"The log itself is not whole; see visioncheck log check {log}.")
        raise typer.Exit(1)


def restore(
    backup_folder: Annotated[Path, typer.Argument(metavar="BACKUP", help="What log backup wrote.")],
    log: Annotated[Path, typer.Argument(metavar="LOG", help="A new folder, which becomes the log.")],
) -> None:
    """Make a log from its backup, after a look at every hash in it; what it lacks is named."""
    from visioncheck.log.backup import restore as copy_back

    copied = copy_back(backup_folder, log)
    _say_lost(copied)
    typer.echo(f"{log} is the log of {backup_folder}: {_format_head(copied.head)}, {copied.photos} photos.")
    if copied.lacking:
        typer.echo(f"The new log lacks what the backup lacks: {_counted(copied)}. All the rest is in it.")
    if not copied.is_whole:
        raise typer.Exit(1)


def _say_lost(copied: Copied) -> None:
    for each in (*copied.damaged, *copied.lacking, *copied.only_here):
        typer.echo(each)


def _counted(copied: Copied) -> str:
    count = len(copied.lacking)
    return "the photo named above" if count == 1 else f"the {count} photos named above"


def register(app: typer.Typer) -> None:
    """Add the commands to those of the log."""
    app.command()(export)
    app.command("import")(import_entries)
    app.command()(check)
    app.command()(backup)
    app.command()(restore)
