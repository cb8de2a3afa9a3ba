"""Small tables by hand: coverage, errors and half-widths against plain least squares.

    python benchmarks/by_hand.py [--tables 2000] [--roll] [--flex]

Truth from the tensor (roll) and the elastica (flex); readings rounded to a ruler of 1 mm, a scale of 5 g and a
protractor of 1°, with a hand's own error on top. The peer is least squares with Student's t, written here.
"""

from __future__ import annotations

import argparse
import math

import numpy as np
from scipy.stats import f as f_distribution
from scipy.stats import t as student

from analysis.readings import RollReadings
from analysis.roll import fit_roll
from analysis.roll.tensor import Blank, load_held, travel_hanging

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
    force = np.array([[k + d_cos, d_sin], [d_sin, k - d_cos]]) @ u
    blank = Blank(k, *force, d_cos, d_sin)
    roll = np.linspace(0, 2 * math.pi, count, endpoint=False)
    true = roll + 0.3 * PROTRACTOR * rng.standard_normal(count)
    if kind == "hanging":
        weight = k * 0.45
        return blank, phi, u, roll, rounded(travel_hanging(blank, true, weight), RULER_M, rng), weight
    return blank, phi, u, roll, rounded(load_held(blank, true, 0.45), SCALE_N, rng), 0.45


def peer(roll, reading, kind, scale):
    """Plain least squares with Student's t: stiff plane, its half-width by Fieller, whether it is found."""
    design = np.column_stack([np.ones_like(roll), np.cos(roll), np.sin(roll), np.cos(2 * roll), np.sin(2 * roll)])
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
    print("kind     positions  coverage: plane bow stiffness   error/peer  width/peer   found (peer)  false planes")
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
                covers["stiffness"].append(abs(result.stiffness.value - blank.k) <= result.stiffness.noise_ci95)
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


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--tables", type=int, default=2000)
    parser.add_argument("--roll", action="store_true")
    parser.add_argument("--flex", action="store_true")
    asked = parser.parse_args()
    if asked.roll or not asked.flex:
        study_roll(asked.tables // 8)


if __name__ == "__main__":
    main()
