"""Small tables by hand: coverage, errors and half-widths against plain least squares.

    python benchmarks/by_hand.py [--tables 2000] [--roll] [--flex]

Truth from the tensor (roll) and the elastica (flex); readings rounded to a ruler of 1 mm, a scale of 5 g and
a protractor of 1°, with a hand's own error on top. The peer is least squares with Student's t, written here.
"""

from __future__ import annotations

import argparse
import math

import numpy as np
from bend_coverage import tube
from scipy.stats import f as f_distribution
from scipy.stats import t as student

from analysis.bend import fit_flex, rate
from analysis.bend.elastica import solve
from analysis.errors import BlankbenchError
from analysis.readings import FlexReadings, RollReadings
from analysis.roll import fit_roll
from analysis.roll.tensor import Blank

GRAM_N = 9.80665e-3
RULER_M, SCALE_N, PROTRACTOR = 1e-3, 5.0 * GRAM_N, math.radians(1.0)
EYE = 0.25
"""The eye's own error beside the rounding, in steps."""


def rounded(values, step, rng, eye=EYE):
    return np.round((values + eye * step * rng.standard_normal(values.shape)) / step) * step


def roll_table(rng, count, kind, anisotropy=None):
    """One table: truth, readings."""
    k = rng.uniform(4.0, 25.0)
    anis = rng.uniform(0.02, 0.08) if anisotropy is None else anisotropy
    phi, bow, beta = rng.uniform(0, math.pi), rng.uniform(0.0, 0.012), rng.uniform(0, 2 * math.pi)
    delta = 0.5 * anis * k
    d_cos, d_sin = delta * math.cos(2 * phi), delta * math.sin(2 * phi)
    u = bow * np.array([math.cos(beta), math.sin(beta)])
    matrix = np.array([[k + d_cos, d_sin], [d_sin, k - d_cos]])
    force = matrix @ u
    blank = Blank(k, *force, d_cos, d_sin)
    roll = np.linspace(0, 2 * math.pi, count, endpoint=False)
    true = roll + 0.3 * PROTRACTOR * rng.standard_normal(count)
    pull = np.column_stack([np.cos(true), np.sin(true)])
    if kind == "hanging":
        weight = k * 0.45
        travel = weight * np.einsum("ni,ij,nj->n", pull, np.linalg.inv(matrix), pull) + pull @ u
        return blank, phi, u, roll, rounded(travel, RULER_M, rng), weight
    load = np.einsum("ni,ij,nj->n", pull, matrix, 0.45 * pull - u)
    return blank, phi, u, roll, rounded(load, SCALE_N, rng), 0.45


def peer(roll, reading, kind, scale):
    """Plain least squares with Student's t: stiff plane, its half-width by Fieller, whether it is found."""
    design = np.column_stack(
        [np.ones_like(roll), np.cos(roll), np.sin(roll), np.cos(2 * roll), np.sin(2 * roll)]
    )
    sign = -1.0 if kind == "hanging" else 1.0
    values, *_ = np.linalg.lstsq(design, reading, rcond=None)
    dof = roll.size - 5
    s2 = np.sum((reading - design @ values) ** 2) / dof
    cov = s2 * np.linalg.inv(design.T @ design)
    pair = sign * values[3:]
    p = f_distribution.sf(0.5 * pair @ np.linalg.solve(cov[3:, 3:], pair), 2, dof) if s2 > 0 else 0.0
    length = float(np.hypot(*pair))
    across = np.array([-pair[1], pair[0]]) / length
    sine = student.ppf(0.975, dof) * math.sqrt(across @ cov[3:, 3:] @ across) / length
    half = 0.5 * math.asin(sine) if sine < 1 else math.pi / 4
    return 0.5 * math.atan2(pair[1], pair[0]) % math.pi, half, p < 0.05


def readings_of(roll, reading, kind, scale):
    return RollReadings(
        time_s=np.arange(roll.size, dtype=float),
        roll=roll,
        load_N=None if kind == "hanging" else reading,
        travel_m=reading if kind == "hanging" else None,
        held_travel_m=None if kind == "hanging" else scale,
        held_load_N=scale if kind == "hanging" else None,
        free_length_m=1.8,
        contact="free" if kind == "hanging" else "held",
        at_rest=True,
    )


def off(a, b, period):
    return (a - b + period / 2) % period - period / 2


def study_roll(tables, seed=5):
    """Print coverage and ratios by number of positions, and the rate of false planes; return the rows."""
    rng = np.random.default_rng(seed)
    rows = []
    print(
        "kind     positions  covered: plane bow stiffness  error/peer width/peer  found (peer)  false planes"
    )
    for kind in ("hanging", "held"):
        for count in (8, 12, 16, 24):
            inside, errors, peers, widths, found = [], [], [], [], [0, 0]
            covers = {"bow": [], "stiffness": []}
            false = 0
            for _ in range(tables):
                blank, phi, u, roll, reading, scale = roll_table(rng, count, kind)
                result = fit_roll(readings_of(roll, reading, kind, scale))
                plane, half, is_found = peer(roll, reading, kind, scale)
                found[0] += result.plane_found
                found[1] += is_found
                if result.plane_found:
                    mine = result.stiff_plane
                    error = off(mine.value, phi, math.pi)
                    inside.append(abs(error) <= mine.noise_ci95)
                    if is_found:
                        errors.append(error)
                        peers.append(off(plane, phi, math.pi))
                        widths.append(mine.ci95 / half if half else np.nan)
                covers["stiffness"].append(
                    abs(result.stiffness.value - blank.k) <= result.stiffness.noise_ci95
                )
                covers["bow"].append(abs(result.bow.value - np.hypot(*u)) <= result.bow.noise_ci95)
                _, _, _, roll, reading, scale = roll_table(rng, count, kind, anisotropy=0.0)
                false += fit_roll(readings_of(roll, reading, kind, scale)).plane_found
            row = {
                "kind": kind, "positions": count, "plane": np.mean(inside), "bow": np.mean(covers["bow"]),
                "stiffness": np.mean(covers["stiffness"]),
                "errors": np.sqrt(np.mean(np.square(errors)) / np.mean(np.square(peers))),
                "widths": np.nanmedian(widths), "found": found[0] / tables, "peer": found[1] / tables,
                "false": false / tables, "rms_deg": math.degrees(np.sqrt(np.mean(np.square(errors)))),
            }  # fmt: skip
            rows.append(row)
            print(
                f"{kind:8s} {count:6d}      {100 * row['plane']:8.1f} {100 * row['bow']:5.1f}"
                f" {100 * row['stiffness']:5.1f} %   {row['errors']:10.2f} {row['widths']:10.2f}"
                f"     {100 * row['found']:5.1f} ({100 * row['peer']:.1f}) %   {100 * row['false']:5.1f} %"
                f"   rms {row['rms_deg']:.2f}°"
            )
    return rows


def flex_table(rng, weights, ways=2):
    """One table: reference load of the truth, readings."""
    blank = tube(rng)
    reference = rate(blank).reference_load_N
    top = rng.uniform(0.85, 1.15) * reference
    hang = np.linspace(0.0, top, weights + 1)[1:]
    loads = np.concatenate([[0.0], hang, hang[-2::-1], [0.0]])
    side = np.concatenate([np.ones(weights), [0.0], -np.ones(weights)])
    loop = rng.uniform(0.0, 0.03)
    true = loads * (1.0 - 0.5 * loop * side)
    loads = rounded(loads, SCALE_N, rng, 0.1) * (loads > 0)
    travel = np.array([solve(blank, load).travel_m if load > 0 else 0.0 for load in true])
    read = rounded(travel, RULER_M, rng)
    return reference, FlexReadings(
        time_s=np.arange(loads.size, dtype=float), load_N=loads, travel_m=read, tip=None,
        free_length_m=blank.length_m, at_rest=True,
    )  # fmt: skip


def flex_peer(readings):
    """Plain least squares of load = a·y + b·y³, read at the reference bend, with Student's t."""
    y = readings.travel_m
    design = np.column_stack([y, y**3])
    values, *_ = np.linalg.lstsq(design, readings.load_N, rcond=None)
    dof = y.size - 2
    s2 = np.sum((readings.load_N - design @ values) ** 2) / dof
    at = 0.25 * readings.free_length_m
    row = np.array([at, at**3])
    half = student.ppf(0.975, dof) * math.sqrt(s2 * row @ np.linalg.inv(design.T @ design) @ row)
    return float(row @ values), half


def study_flex(tables, seed=7):
    """Print coverage, half-widths and errors of the reference load by number of weights; return the rows."""
    rng = np.random.default_rng(seed)
    rows = []
    print("weights  answered   inside   median ± (peer)   error rms (peer)")
    for weights in (3, 4, 5, 6, 8):
        inside, widths, errors, peers, peer_widths, answered = [], [], [], [], [], 0
        for _ in range(tables):
            reference, readings = flex_table(rng, weights)
            load, half = flex_peer(readings)
            peers.append(load / reference - 1)
            peer_widths.append(half / reference)
            try:
                found = fit_flex(readings).reference_load
            except BlankbenchError as error:
                print("   refused:", error)
                continue
            answered += 1
            errors.append(found.value / reference - 1)
            widths.append(found.ci95 / reference)
            inside.append(abs(errors[-1]) <= widths[-1])
        row = {
            "weights": weights, "answered": answered / tables, "inside": np.mean(inside),
            "width": np.median(widths), "error": np.sqrt(np.mean(np.square(errors))),
            "peer": np.sqrt(np.mean(np.square(peers))), "peer_width": np.median(peer_widths),
        }  # fmt: skip
        rows.append(row)
        print(
            f"{weights:5d}   {100 * row['answered']:6.1f} %  {100 * row['inside']:6.1f} %"
            f"   {100 * row['width']:.2f} % ({100 * row['peer_width']:.2f})"
            f"      {100 * row['error']:.2f} % ({100 * row['peer']:.2f})"
        )
    return rows


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--tables", type=int, default=2000)
    parser.add_argument("--roll", action="store_true")
    parser.add_argument("--flex", action="store_true")
    asked = parser.parse_args()
    if asked.roll or not asked.flex:
        study_roll(asked.tables // 8)
    if asked.flex or not asked.roll:
        study_flex(asked.tables // 5)


if __name__ == "__main__":
    main()
