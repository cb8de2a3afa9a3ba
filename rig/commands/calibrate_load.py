"""`blankbench calibrate load`: from weights to newtons in a count."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from analysis.calibrate import Scaled, fit_scale, hangings
from analysis.readings import Floats
from rig.calibration import Calibration, LoadScale, latest_calibration, save_calibration
from rig.calibration.counts import LOAD_BITS, signed
from rig.calibration.known import half_width, load_scale_of, numbers_in, read_table, wide, without
from rig.calibration.points import KnownWeight, load_scale
from rig.commands import options
from rig.commands.connect import Baud, Board, Port, board_at
from rig.errors import CallError, FileError, PortError, ReadingsError
from rig.settings import Settings, load_settings

Take = Callable[[str, str], Floats]
"""Tells the person what to do, waits for Enter, and gives the raw counts of a channel."""
CalibrationsInto = Annotated[
    Path | None,
    typer.Option("--into", metavar="FOLDER", help="Folder of calibrations (default: the shop's)."),
]
Without = Annotated[
    list[float] | None,
    typer.Option("--without", metavar="GRAMS", help="Leave this weight out. Repeatable."),
]


def load(
    port: Port = None,
    baud: Baud = None,
    weights: Annotated[
        str | None,
        typer.Option(
            "--weights",
            metavar="GRAMS,…",
            help="Weights in the order in which they are hung, up and down: 0,100,200,500,200,100,0.",
        ),
    ] = None,
    table: Annotated[
        Path | None,
        typer.Option("--from", metavar="FILE", help="A table with the columns grams and counts instead."),
    ] = None,
    leave_out: Without = None,
    weight: Annotated[
        float | None,
        typer.Option("--weight", metavar="GRAMS", min=1.0, help="One known weight beside the zero."),
    ] = None,
    tolerance: Annotated[
        float, typer.Option("--tolerance", min=0.0, help="How sure each weight is, ± grams.")
    ] = 0.0,
    seconds: Annotated[float, typer.Option("--seconds", min=0.5, help="How long to read each time.")] = 3.0,
    into: CalibrationsInto = None,
    as_json: options.AsJson = False,
    settings_file: options.SettingsFile = None,
) -> None:
    """Calibrate the load cell with several weights; a weight that does not lie with the others is named.

    Example: blankbench calibrate load --weights 0,100,200,500,200,100,0
    """
    settings = load_settings(settings_file)
    given = [name for name, one in (("--weights", weights), ("--from", table), ("--weight", weight)) if one]
    if len(given) != 1:
        both = " and ".join(given)
        raise CallError(
            f"{both} are given together" if given else "no weights are given",
            "give one of --weights 0,100,200,500, --from FILE or --weight 200",
        )
    folder = into or Path(settings.shop.calibrations)
    if weight is not None:
        _one_weight(weight, tolerance, port, baud, seconds, folder, as_json, settings)
        return
    if table is not None:
        values, counts = read_table(table, "grams")
    else:
        values, counts = _hung(weights or "", port, baud, seconds, settings)
    values, counts = _left_out(values, counts, leave_out or [])
    try:
        scaled = fit_scale(hangings(values, counts))
        now = f"{datetime.now().astimezone():%Y-%m-%dT%H:%M}"
        scale = load_scale_of(scaled, settings.shop.gravity_m_s2, tolerance_g=tolerance, made=now)
    except ReadingsError as error:
        if table is not None:
            raise FileError(table, None, error.what, error.do) from error
        raise
    path = None
    if not scaled.suspects:
        before = latest_calibration(folder) or Calibration()
        path = save_calibration(replace(before, load=scale, dated=now), folder)
    said = load_words(scaled)
    if as_json:
        options.print_json(load_record(scaled, scale.N_per_count, scale.scale_ci95 or 0.0, path, said))
    else:
        console = options.out()
        for line in [*_lines(scaled, scale.N_per_count), *said]:
            console.print(line, markup=False)
        if path is not None:
            console.print(f"Kept in {path}; every run recorded from now on carries it.", markup=False)
    if path is None:
        raise typer.Exit(1)


def load_record(
    scaled: Scaled, N_per_count: float, relative: float, path: Path | None, said: Sequence[str]
) -> dict[str, object]:
    """Give a load calibration as ``--json`` prints it."""
    return {
        "N_per_count": N_per_count,
        "N_per_count_ci95": half_width(abs(N_per_count) * relative),
        "zero_counts": scaled.zero_counts,
        "zero_ci95_counts": half_width(scaled.zero_ci95_counts),
        "curved": scaled.curved,
        "residuals": [
            {
                "grams": one.value,
                "residual_g": one.off,
                "ci95_g": half_width(one.ci95),
                "suspect": one.suspect,
            }
            for one in scaled.residuals
        ],
        "hysteresis_pct": None if scaled.hysteresis is None else 100.0 * scaled.hysteresis,
        "file": None if path is None else str(path),
        "warnings": list(said),
        "coefficients_counts": list(scaled.coefficients),
        "sd_counts": scaled.sd_counts,
        "lower_limit_g": scaled.lower_limit,
        "zero_return_g": scaled.zero_return,
        "creep_g": scaled.creep,
        "degrees_of_freedom": scaled.dof,
    }


def load_words(scaled: Scaled) -> list[str]:
    """Say what to know about these weights, and what to do."""
    said = []
    names = ", ".join(f"{value:g} g" for value in scaled.suspects)
    if scaled.suspects:
        option = " ".join(f"--without {value:g}" for value in scaled.suspects)
        said.append(
            f"{names}: does not lie with the others. Nothing is saved: weigh it again, or leave it out with"
            f" {option}."
        )
    span = scaled.span[1] - scaled.span[0]
    if scaled.zero_return is not None and abs(scaled.zero_return) > max(0.002 * span, scaled.lower_limit):
        said.append(
            f"The zero came back {abs(scaled.zero_return):.2g} g off: let the cell warm up, do it again."
        )
    if scaled.hysteresis is not None and abs(scaled.hysteresis) > 0.002:
        said.append(
            f"Falling readings differ by {100.0 * scaled.hysteresis:+.2f} % of the span from rising ones:"
            " something drags or creeps."
        )
    if scaled.dof < 3:
        said.append(
            f"Only {scaled.dof} left-overs tell how far a weight may lie off, so half-widths are"
            f" {wide(scaled.dof)} as wide: hang them up and down."
        )
    return said


def _lines(scaled: Scaled, N_per_count: float) -> list[str]:
    shape = "a curve" if scaled.curved else "a straight line"
    out = [
        f"Load: {1e6 * N_per_count:.5g} µN a count over the whole span, {shape}; readings count from"
        f" {scaled.lower_limit:.2g} g on."
    ]
    for one in scaled.residuals:
        sure = f" ± {one.ci95:.2g}" if half_width(one.ci95) is not None else ""
        out.append(
            f"  {one.value:g} g reads {one.off:+.2g}{sure} g" + ("  <- suspect" if one.suspect else "")
        )
    return out


def _left_out(
    values: list[float], counts: list[float], leave_out: Sequence[float]
) -> tuple[list[float], list[float]]:
    """Leave weights out by name.

    Raises
    ------
    CallError
        For a weight that was not hung.
    """
    for one in leave_out:
        if len(without(values, counts, [one])[0]) == len(values):
            known = ", ".join(f"{value:g}" for value in sorted(set(values)))
            raise CallError(f"--without {one:g}: no such weight was hung", f"name one of {known}")
    return without(values, counts, leave_out)


def _hung(
    text: str, port: str | None, baud: int | None, seconds: float, settings: Settings
) -> tuple[list[float], list[float]]:
    """Have the weights hung one after the other; give every reading."""
    order = numbers_in(text)
    if order is None or any(value < 0.0 for value in order) or len(set(order)) < 3:
        raise CallError(
            f"--weights {text} is no list of three different weights or more",
            "write it as --weights 0,100,200,500,200,100,0",
        )
    values: list[float] = []
    counts: list[float] = []
    ends = (-(2.0 ** (LOAD_BITS - 1)), 2.0 ** (LOAD_BITS - 1) - 1)
    with board_at(port, baud, settings) as board:
        take = taker(board, "load", seconds)
        for at, value in enumerate(order):
            what = f"Hang {value:g} g" if value else "Take everything off the load cell"
            read = signed(
                take("load", f"{at + 1} of {len(order)}: {what}, and let it come to rest"), LOAD_BITS
            )
            read = read[read == read]
            if not read.size:
                raise PortError(f"no reading came at {value:g} g", "check the amplifier's wires")
            if bool((read == ends[0]).any() or (read == ends[1]).any()):
                raise PortError(
                    f"{value:g} g drives the amplifier to its end", "use lighter weights, or check the wires"
                )
            values += [value] * read.size
            counts += [float(one) for one in read]
    return values, counts


def _one_weight(
    weight: float,
    tolerance: float,
    port: str | None,
    baud: int | None,
    seconds: float,
    folder: Path,
    as_json: bool,
    settings: Settings,
) -> None:
    """Calibrate with the zero and one weight."""
    with board_at(port, baud, settings) as board:
        take = taker(board, "load", seconds)
        scale = one_weight(take, weight * 1e-3, tolerance * 1e-3, settings.shop.gravity_m_s2)
    now = f"{datetime.now().astimezone():%Y-%m-%dT%H:%M}"
    before = latest_calibration(folder) or Calibration()
    fresh = replace(before, load=replace(scale, made=now), dated=now)
    path = save_calibration(fresh, folder)
    if as_json:
        options.print_json({"calibration": str(path), **fresh.to_tables()})
        return
    console = options.out()
    console.print(said_of_load(fresh), markup=False)
    console.print(f"Kept in {path}; every run recorded from now on carries it.", markup=False)
    console.print("One weight cannot show that it is wrong: --weights 0,100,200,500 can.", markup=False)


def one_weight(take: Take, weight_kg: float, tolerance_kg: float, gravity_m_s2: float) -> LoadScale:
    """Ask for the zero and one weight."""
    zero = take("load", "Take everything off the load cell")
    what = f"Hang the weight of {weight_kg * 1e3:g} g where the tip pulls, and let it come to rest"
    known = KnownWeight(weight_kg, take("load", what), tolerance_kg)
    return replace(load_scale(zero, [known], gravity_m_s2=gravity_m_s2), heaviest_N=weight_kg * gravity_m_s2)


def said_of_load(calibration: Calibration) -> str:
    """One line on a fresh load calibration."""
    scale = calibration.load
    if scale is None:
        return "load: not calibrated."
    sure = "" if scale.scale_ci95 is None else f" ± {100.0 * scale.scale_ci95:.2g} %"
    zero = "" if scale.zero_ci95_N is None else f", zero ± {1e3 * scale.zero_ci95_N:.2g} mN"
    return f"Load: {1e6 * scale.N_per_count:.5g} µN a count{sure}{zero}."


def taker(board: Board, channel: str, seconds: float) -> Take:
    """Give what asks for a step and reads a channel."""
    known = {c.name: c for c in board.hello.channels}
    if channel not in known:
        raise PortError(
            f"{board.hello.device} has no channel {channel}, only {', '.join(known)}",
            "calibrate one of those, or add the sensor to the board",
        )
    if not known[channel].in_counts:
        raise PortError(
            f"{board.hello.device} sends {channel} in {known[channel].unit} already",
            "there is nothing to calibrate here",
        )

    def take(name: str, what: str) -> Floats:
        typer.prompt(f"{what}, then press Enter", default="", show_default=False, prompt_suffix=" ", err=True)
        return board.capture(seconds)[name]

    return take
