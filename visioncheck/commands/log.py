"""``visioncheck log``: the calibration log of your sleds."""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from visioncheck.commands import log_copies
from visioncheck.commands.log_attach import TIME_HELP, LogFolder, attach, parse_time
from visioncheck.errors import UserError
from visioncheck.files import refuse_overwriting

if TYPE_CHECKING:
    from visioncheck.log.entry import Entry
    from visioncheck.log.queries import Listed
    from visioncheck.log.standing import Standing
    from visioncheck.log.store import Log
    from visioncheck.log.trend import Point
    from visioncheck.sled.model import Sled

_OTHERS = {"blade_tilt_deg": ("tilt", "°"), "fence_bow_mm": ("bow", " mm"), "travel.heel_deg": ("heel", "°")}
"""How the list calls what is no fence error, and its unit."""
SledName = Annotated[str | None, typer.Option("--sled", metavar="NAME", help="This sled alone.")]

log_app = typer.Typer(help="Keep, list and chart the readings of your sleds.", no_args_is_help=True)
log_app.command()(attach)


@log_app.command("list")
def list_entries(
    log: LogFolder,
    sled: SledName = None,
    since: Annotated[str | None, typer.Option(help=f"From this time on, {TIME_HELP}.")] = None,
    last: Annotated[int | None, typer.Option(min=1, help="Only the newest so many.")] = None,
) -> None:
    """List the entries, oldest first, corrected ones marked; then each sled in one line: how it stands now."""
    from visioncheck.log.store import Log

    start = None if since is None else parse_time("--since", since)
    with Log.open(log, readonly=True) as open_log:
        if sled is not None:
            open_log.require_sled(sled)
        # print, not typer.echo: that one hands every line to the system by itself
        print(f"{'id':8}  {'time':16}  {'fence error, 95 %':22}  sled, person, note")
        for entry in open_log.listed(sled=sled, since=start, limit=last):
            print(_list_line(entry))
        if start is None and last is None:
            _list_sleds(open_log, [sled] if sled else open_log.sleds())
    _print_passed_over(open_log)
    say_passed_over(open_log)


def _list_sleds(log: Log, names: list[str]) -> None:
    """How each sled stands; loads the numerics, which the list itself does without."""
    from visioncheck.log.now import sled_now
    from visioncheck.present.now import history_line

    print()
    for name in names:
        print(history_line(sled_now(log, name)))


@log_app.command()
def show(
    log: LogFolder,
    entry_id: Annotated[str, typer.Argument(metavar="ID", help="The entry's id; its beginning is enough.")],
    as_json: Annotated[bool, typer.Option("--json", help="Print everything as JSON.")] = False,
) -> None:
    """Show one entry with all that was kept with it."""
    from visioncheck.log.entry import entry_content
    from visioncheck.log.standing import find_standing
    from visioncheck.log.store import Log
    from visioncheck.present.questions import with_reason
    from visioncheck.results.advice import without_move

    with Log.open(log, readonly=True) as open_log:
        entry = open_log.get(entry_id)
        photos = open_log.photo_paths(entry)
        standing = find_standing(entry, open_log.entries(sled=entry.sled))
        if as_json:
            content = {
                **entry_content(entry),
                "corrected_by": entry.corrected_by,
                "reading": with_reason(entry.reading),
            }
            del content["reading_json"]
            content["sled_file"] = open_log.document(entry.sled_sha256)
            content["rig_file"] = open_log.document(entry.rig_sha256)
            content["standing"] = asdict(standing)
            if not standing.counts and "correction" in content["reading"]:
                content["reading"]["correction"] = without_move(content["reading"]["correction"])
            content["photo_paths"] = [str(photo) for photo in photos]
            typer.echo(json.dumps(content, indent=2, ensure_ascii=False))
            return
        for label, text in _shown(entry, photos, standing):
            typer.echo(f"{label:12} {text}")


@log_app.command()
def trend(
    log: LogFolder,
    sled: SledName = None,
    output: Annotated[
        Path | None, typer.Option("-o", "--output", metavar="CHART", help="Also draw it: a .png or .svg file.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Say whether a sled has stayed square since it was last adjusted, and chart it."""
    from visioncheck.log.standing import pending_adjustment
    from visioncheck.log.store import Log
    from visioncheck.log.trend import assess, trend_points
    from visioncheck.present.trend import format_pending, format_trend, trend_json

    if output is not None and output.suffix.lower() not in {".png", ".svg"}:
        raise UserError(f"{output} must end in .png or .svg.")
    refuse_overwriting({"--output": output}, [log / "log.sqlite", log / "records.txt"])
    with Log.open(log, readonly=True) as open_log:
        names = open_log.sleds() if sled is None else [sled]
        if sled is not None:
            open_log.require_sled(sled)
        if output is not None and len(names) != 1:
            raise UserError(f"The log has {len(names)} sleds ({', '.join(names)}); choose one with --sled to chart it.")
        found: dict[str, Any] = {}
        for name in names:
            entries = list(open_log.entries(sled=name))
            points, owner = trend_points(entries), _owner(open_log, name)
            units, pending = owner.units if owner else "mm", pending_adjustment(entries)
            found[name] = trend_json(assess(points)) | ({"adjusted_since": pending} if pending else {})
            if not as_json:
                said = [*format_trend(assess(points), units), *format_pending(pending)]
                typer.echo(f"{name}: {' '.join(said)}")
            if output is not None:
                _draw(output, points, name, owner)
    if as_json:
        left_out = {"passed_over": dict(open_log.passed_over)} if open_log.passed_over else {}
        typer.echo(json.dumps(found | left_out, indent=2, ensure_ascii=False))
    else:
        _print_passed_over(open_log)
        if output is not None:
            typer.echo(f"Wrote {output}.")
    say_passed_over(open_log)


def _print_passed_over(log: Log) -> None:
    """Name what is not in the list or trend within it too: one that is piped or kept says so itself."""
    for why in log.passed_over.values():
        print(f"Passed over: {why}.")


def say_passed_over(log: Log) -> None:
    """Name the entries that were passed over, each with why, beside what is printed."""
    for id_, why in log.passed_over.items():
        advice = f"correct or withdraw it: log attach {log.folder} --corrects {id_[:8]} --withdraw REASON"
        typer.echo(f"visioncheck: passed over: {why}; {advice}", err=True)


@log_app.command()
def tag(
    log: LogFolder,
    number: Annotated[int | None, typer.Argument(metavar="[TAG]", help="Number of the piece tag.")] = None,
    sled: Annotated[str | None, typer.Argument(metavar="[SLED]", help="Name of the sled it belongs to.")] = None,
) -> None:
    """Say which sled's pieces carry a tag; without a tag, list what is known."""
    from visioncheck.log.store import Log

    if number is None:
        with Log.open(log, readonly=True) as open_log:
            for known, name in open_log.tags().items():
                typer.echo(f"{known:4}  {name}")
        return
    if sled is None or not sled.strip() or number < 0:
        raise UserError("Give the tag's number and the sled's name: log tag LOG 7 'Long sled'.")
    with Log.open(log, create=True) as open_log:
        before = open_log.tags().get(number, sled.strip())
        open_log.assign_tag(number, sled.strip())
    instead = "" if before == sled.strip() else f" (until now: from {before})"
    typer.echo(f"Pieces with tag {number} come from {sled.strip()}{instead}.")


def _owner(log: Log, name: str) -> Sled | None:
    from visioncheck.measuring.request import sled_in_log

    file = sled_in_log(log, name)
    return file.sled if file else None


def _draw(output: Path, points: list[Point], name: str, sled: Sled | None) -> None:
    from visioncheck.files import write_whole
    from visioncheck.present.trend_chart import chart_bytes, draw_chart

    figure = draw_chart(points, name, sled.tolerance_deg if sled else None, sled.units if sled else "mm")
    write_whole(output, chart_bytes(figure, output.suffix))


def _list_line(entry: Listed) -> str:
    from visioncheck.present.naming import printable

    said = _format_other(entry)
    if entry.fence_error_deg is not None:
        said = f"{entry.fence_error_deg:+.3f}° ± {_expanded(entry):.3f}°"
    marks = [mark for mark in (_format_typed(entry), entry.person, entry.note) if mark]
    if entry.adjusted:
        marks.append(f"adjusted: {entry.adjusted}")
    if entry.corrects:
        marks.append(f"corrects {entry.corrects[:8]}")
    if entry.corrected_by:
        marks.append(f"CORRECTED by {entry.corrected_by[:8]}")
    text = printable(", ".join([entry.sled, *marks]).replace("\n", " "))
    return f"{entry.id[:8]}  {datetime.fromisoformat(entry.time).astimezone():%Y-%m-%d %H:%M}  {said:22}  {text}"


def _format_other(entry: Listed) -> str:
    """Say what was measured for another thing's sake than the fence's angle, by its size; the report says which way."""
    from visioncheck.log.queries import OTHERS

    for path, found in zip(OTHERS, json.loads(entry.others or "[]"), strict=False):
        value, expanded = (found.get(key) if isinstance(found, dict) else None for key in ("value", "expanded"))
        if isinstance(value, int | float) and isinstance(expanded, int | float):
            name, unit = _OTHERS[path]
            return f"{name} {abs(value):.3f} ± {expanded:.3f}{unit}"
    return "none"


def _format_typed(entry: Listed) -> str:
    """Say what was typed; empty of a photo."""
    if entry.typed is None:
        return ""
    return "typed: " + ", ".join(f"{name} {value}" for name, value in json.loads(entry.typed).items())


def _expanded(entry: Listed) -> float:
    if entry.fence_error_expanded_deg is not None:
        return entry.fence_error_expanded_deg
    from visioncheck.quantity import Quantity

    dof = math.inf if entry.fence_error_dof is None else entry.fence_error_dof
    return Quantity(entry.fence_error_deg or 0.0, entry.fence_error_u_deg or 0.0, "deg", dof).expanded()


def _shown(entry: Entry, photos: list[Path], standing: Standing) -> list[tuple[str, str]]:
    from visioncheck.present.correction import format_fence_error
    from visioncheck.present.lengths import format_lengths
    from visioncheck.present.questions import format_reason
    from visioncheck.present.typed import format_inputs

    reading, error = entry.reading, entry.fence_error
    reason = format_reason(entry.result)
    read, written = (f"{when.astimezone():%Y-%m-%d %H:%M}" for when in (entry.time, entry.written))
    lines = [
        ("Entry", entry.id),
        ("Sled", entry.sled),
        ("Read", f"{read} ({entry.kind}), written {written}"),
        ("Fence", "no fence error in this reading" if error is None else format_fence_error(error)),
        ("Status", str(reading["status"]) + (f": {reason}" if reason else "")),
        ("Typed", format_inputs(reading)),
        ("Lengths", format_lengths(reading, "mm")),
        ("Photo", f"{photos[0]} (was {entry.file_name})" if photos else "none"),
        *(("Read with", str(photo)) for photo in photos[1:]),
        ("Person", entry.person),
        ("Note", entry.note),
        ("Adjusted", entry.adjusted),
        ("Since then", _format_since(standing)),
        ("Corrects", entry.corrects or ""),
        ("Corrected by", entry.corrected_by or ""),
        ("Flags", ", ".join(str(flag) for flag in reading.get("flags", []))),
    ]
    return [(label, text) for label, text in lines if text]


def _format_since(standing: Standing) -> str:
    """Say why this entry is not the one to go by; empty where it is."""
    if standing.state == "adjusted":
        return f"adjusted ({standing.adjusted}): this reading orders no move any more"
    return f"the newest reading is {standing.newer[:8]}" if standing.state == "older" and standing.newer else ""


def register(app: typer.Typer) -> None:
    """Add the commands."""
    log_copies.register(log_app)
    app.add_typer(log_app, name="log")
