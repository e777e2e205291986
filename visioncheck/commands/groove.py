"""``visioncheck groove``: fence settings for grooves cut with another blade than the scale was zeroed with."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from visioncheck.errors import UserError
from visioncheck.files import refuse_idle, refuse_overwriting

if TYPE_CHECKING:
    from visioncheck.kerf.plan import Plan
    from visioncheck.kerf.verify import Verified
    from visioncheck.measuring.request import RigFile
    from visioncheck.quantity import Quantity

_READING = ".json"
_TRIAL_U_MM = 0.05  # of a near wall measured with callipers or a depth gauge; common practice, no source


def groove(
    plan: Annotated[Path | None, typer.Argument(metavar="PLAN.toml", help="Several grooves in one plan.")] = None,
    at: Annotated[str | None, typer.Option(help="One groove: from the edge at the fence to its near wall.")] = None,
    width: Annotated[str | None, typer.Option(help="One groove: its width.")] = None,
    mating: Annotated[
        str | None, typer.Option(help="One groove: width of the part that goes into it, instead of --width.")
    ] = None,
    mating_plus_minus: Annotated[str | None, typer.Option(help="Uncertainty of --mating, ± at 95 %.")] = None,
    fit: Annotated[str | None, typer.Option(help="With --mating: press, glue or slide.")] = None,
    board: Annotated[str | None, typer.Option(help="One groove: the board's width across it.")] = None,
    kerf: Annotated[
        str | None,
        typer.Option(help="One groove: kerf of the blade or stack now on the arbor, or the JSON of a measured slot."),
    ] = None,
    plus_minus: Annotated[str | None, typer.Option(help="Uncertainty of --kerf, ± at 95 %.")] = None,
    zero_kerf: Annotated[str | None, typer.Option(help="Kerf of the blade that the scale was zeroed with.")] = None,
    fence: Annotated[str | None, typer.Option(help="Side of the blade the fence is on: left or right.")] = None,
    flange: Annotated[str | None, typer.Option(help="Side of the blade the fixed flange is on.")] = None,
    overlap: Annotated[str | None, typer.Option(help="Least overlap of two passes.")] = None,
    units: Annotated[str | None, typer.Option(help="Units to speak in: in or mm.")] = None,
    photo: Annotated[
        Path | None, typer.Option(help="Check the cut board in this photo, on the target, against the plan.")
    ] = None,
    mating_photo: Annotated[
        Path | None,
        typer.Option(
            "--mating-photo",
            help="The part, on its narrow edge or flat, in a photo of its own: its short way across is measured.",
        ),
    ] = None,
    mating_thickness: Annotated[
        str | None, typer.Option("--mating-thickness", help="With --mating-photo: how high the part stands there.")
    ] = None,
    trial_setting: Annotated[
        str | None, typer.Option("--trial-setting", help="After one trial pass with --kerf: what the scale read.")
    ] = None,
    trial_at: Annotated[
        str | None,
        typer.Option("--trial-at", help="With --trial-setting: from the edge at the fence to the near wall."),
    ] = None,
    rig: Annotated[Path | None, typer.Option(metavar="RIG.json", help="With --photo: what survey wrote.")] = None,
    thickness: Annotated[str | None, typer.Option(help="With --photo: of the board: 18mm, 12.3mm±0.1mm.")] = None,
    fence_edge: Annotated[
        str | None,
        typer.Option(
            help="With --photo: edge that lay at the fence, as the picture shows it: top, bottom, left, right."
        ),
    ] = None,
    output: Annotated[Path | None, typer.Option("-o", "--output", help="Folder for the drawing, SVG and PNG.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Work out the fence-scale setting of every pass for grooves, and draw them."""
    typed = {
        "--at": at, "--width": width, "--mating": mating, "--mating-plus-minus": mating_plus_minus, "--fit": fit,
        "--board": board, "--kerf": kerf, "--plus-minus": plus_minus,
        "--zero-kerf": zero_kerf, "--fence": fence, "--flange": flange, "--overlap": overlap, "--units": units,
    }  # fmt: skip
    given = {option: value for option, value in typed.items() if value is not None}
    surveyed = _rig(rig)
    part = _part(
        mating_photo, mating_thickness, surveyed, {"--mating": mating, "--mating-plus-minus": mating_plus_minus}
    )
    if part is not None and plan is None:
        given |= {"--mating": f"{part.value:.4f}mm", "--mating-plus-minus": f"{part.expanded():.4f}mm"}
    wanted = _plan(plan, given)
    if part is not None:
        from visioncheck.api.grooves import plan_with_part

        wanted = plan_with_part(wanted, part)
    if photo is None and (thickness or fence_edge or (rig and not mating_photo)):
        raise UserError("--rig, --thickness and --fence-edge go with a photo of the cut board; name it with --photo")
    if trial_setting is not None:
        idle = {"--overlap": overlap, "--output": output, "--json": as_json}
        refuse_idle(idle, "with --trial-setting, which says what the trial tells and no more")
        shown = None if photo is None else plus_minus
        refuse_idle({"--plus-minus": shown}, "with --photo of the trial, which shows how wide it is")
        _say_trial(wanted, trial_setting, trial_at, _checked(wanted, photo, surveyed, thickness, fence_edge))
        return
    refuse_idle({"--trial-at": trial_at}, "without --trial-setting")
    stem = plan.stem if plan else "groove"
    if output is not None:
        drawn = {f"the drawing {ending} in --output": output / f"{stem}.{ending}" for ending in ("svg", "png")}
        refuse_overwriting(drawn, [plan, photo, rig])
    checked = _checked(wanted, photo, surveyed, thickness, fence_edge)

    from visioncheck.api.grooves import GrooveLayout
    from visioncheck.kerf.passes import lay_out

    found = GrooveLayout(wanted, lay_out(wanted), checked)
    drawings: list[Path] = []
    if output is not None:
        from visioncheck.files import write_whole

        for ending, content in zip(("svg", "png"), found.drawings(), strict=True):
            drawings.append(output / f"{stem}.{ending}")
            write_whole(drawings[-1], content)
    if as_json:
        import json

        typer.echo(json.dumps(found.to_dict(), indent=2, ensure_ascii=False))
        return
    from visioncheck.present.line import LabelledLine
    from visioncheck.present.terminal import print_report

    lines = found.lines() + [LabelledLine("Drawing", str(path)) for path in drawings]
    print_report(wanted.name, lines, cautions=photo is None)
    if photo:
        print_report(f"As cut: {photo.name}", found.checked_lines(), cautions=True)


def _rig(path: Path | None) -> RigFile | None:
    from visioncheck.measuring.request import read_rig

    return read_rig(path) if path else None


def _part(
    photo: Path | None, thickness: str | None, rig: RigFile | None, typed: dict[str, str | None]
) -> Quantity | None:
    """Measure the part that goes into the groove; None without its photo."""
    if photo is None:
        refuse_idle({"--mating-thickness": thickness}, "without --mating-photo")
        return None
    for option, given in typed.items():
        if given is not None:
            raise UserError(f"{option} and --mating-photo both tell of the part's width; give one of them")
    from visioncheck.api.grooves import part_width

    return part_width(photo, rig=rig, thickness=thickness)


def _checked(
    plan: Plan, photo: Path | None, rig: RigFile | None, thickness: str | None, fence_edge: str | None
) -> tuple[Verified, ...]:
    if photo is None:
        return ()
    from visioncheck.api.grooves import check_board

    return check_board(plan, photo, rig, thickness, fence_edge)


def _say_trial(plan: Plan, setting: str, at: str | None, checked: tuple[Verified, ...]) -> None:
    """Say what one trial pass tells of flange and overhang; by the photo, or as typed."""
    from visioncheck.kerf.fit import learn_from_trial
    from visioncheck.kerf.passes import groove_kerf
    from visioncheck.present.grooves import learned_lines
    from visioncheck.present.terminal import print_report
    from visioncheck.quantity import Quantity
    from visioncheck.units import parse_length

    if (at is None) == (not checked):
        raise UserError("--trial-setting needs where the near wall came: --trial-at, or --photo of it")
    kerf = groove_kerf(plan.grooves[0], plan.saw)
    near = (
        Quantity(parse_length(at, plan.units), _TRIAL_U_MM, "mm") if at is not None else checked[0].checks[0].measured
    )
    width = kerf if at is not None else checked[0].checks[2].measured
    if kerf is plan.saw.zero_kerf:
        raise UserError("A trial with the zero blade shows no overhang; say the stack's kerf with --kerf or [blade]")
    learned = learn_from_trial(
        parse_length(setting, plan.units), near, width, plan.saw.zero_kerf, plan.saw.fence, plan.saw.flange
    )
    if learned is None:
        raise UserError(
            "This near wall fits neither flange: check --trial-setting, and the edge that it was measured from"
        )
    print_report("Trial cut", learned_lines(learned, plan.saw.fence, plan.units), cautions=True)


def _plan(path: Path | None, given: dict[str, str]) -> Plan:
    from visioncheck.kerf.read_plan import load_plan, plan_from_data

    if path is not None:
        if given:
            raise UserError(f"{next(iter(given))} does not go with a plan file; write it into {path}")
        return load_plan(path)
    wide = ("--mating", "--fit") if {"--mating", "--fit"} & set(given) else ("--width",)
    needed = ("--at", *wide, "--board", "--zero-kerf", "--fence", "--flange")
    missing = [option for option in needed if option not in given]
    if missing:
        raise UserError(f"Give a PLAN.toml, or for one groove also {' and '.join(missing)}")
    for option, owner in (("--plus-minus", "--kerf"), ("--overlap", "--kerf"), ("--mating-plus-minus", "--mating")):
        if option in given and owner not in given:
            raise UserError(f"{option} belongs to {owner}; give that too")
    if "--plus-minus" in given and given["--kerf"].endswith(_READING):
        raise UserError("--plus-minus does not go with the JSON of a measured slot, which says its own")
    return plan_from_data(_one_groove(given), "the groove that you typed", Path())


def _one_groove(given: dict[str, str]) -> dict[str, Any]:
    """Give the options as the plan file that would say the same."""
    data: dict[str, Any] = {
        "name": "One groove",
        "units": given.get("--units", "mm" if given["--board"].rstrip().lower().endswith("m") else "in"),
        "board": {"width": given["--board"]},
        "saw": {key: given[f"--{key.replace('_', '-')}"] for key in ("zero_kerf", "fence", "flange")},
        "groove": [{"name": "groove", "at": given["--at"]}],
    }
    keys = {"--width": "width", "--mating": "mating", "--mating-plus-minus": "mating_plus_minus", "--fit": "fit"}
    data["groove"][0] |= {key: given[option] for option, key in keys.items() if option in given}
    if given.get("--kerf", "").endswith(_READING):
        # a slot measured before stands in for what was typed
        data["blade"] = {"slot": given["--kerf"]} | ({"overlap": given["--overlap"]} if "--overlap" in given else {})
    elif "--kerf" in given:
        keys = {"--kerf": "kerf", "--plus-minus": "plus_minus", "--overlap": "overlap"}
        data["blade"] = {key: given[option] for option, key in keys.items() if option in given}
    return data


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(groove)
