"""The chuck's part: closed forms of the multi-step method, statsmodels' mixed model, and coverage."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from analysis.angles import difference
from analysis.readings import RollReadings
from analysis.roll import Chuck, fit_mounts, fit_roll, guessed
from analysis.roll.chuck import pooled, rotation, seen_by, taken_off
from analysis.roll.fit import Measured, measure
from analysis.roll.mounts import Known, MixedModel
from analysis.roll.scatter import Part, Scatter

K, TRAVEL, LENGTH = 12.0, 0.45, 1.8
NONE = Chuck(np.zeros(4), np.zeros((4, 4)), math.inf, 0.0, math.inf, 0.0, LENGTH, K)


def rolled(
    rng: np.random.Generator,
    mount: float = 0.0,
    *,
    anisotropy: float = 0.02,
    plane: float = 0.65,
    bow: float = 0.003,
    toward: float = 1.7,
    k: float = K,
    runout: complex = 0.0,
    support: complex = 0.0,
    seating: float = 0.0,
    index: float = 0.0,
    noise: float = 0.012,
) -> RollReadings:
    """Two turns on and two back by the linear formula; run-out and support as e·e^{iγ₁}, (σ/200)·e^{2iγ₂}."""
    n = 1600
    way = np.concatenate([np.linspace(0.0, 4 * math.pi, n // 2), np.linspace(4 * math.pi, 0.0, n // 2)])
    read = way + mount
    true = read - index * rng.standard_normal()
    force = k * bow * (np.exp(1j * toward) + 0.5 * anisotropy * np.exp(1j * (2 * plane - toward)))
    load = TRAVEL * k * (1.0 + 0.5 * anisotropy * np.cos(2.0 * (true - plane)))
    load -= np.real(force * np.exp(-1j * true)) + k * np.real(runout * np.exp(-1j * way))
    load += TRAVEL * k * np.real(support * np.exp(-2j * way))
    offset = seating * (rng.standard_normal() + 1j * rng.standard_normal())
    load -= k * np.real(offset * np.exp(-1j * true))
    load += noise * rng.standard_normal(n)
    return RollReadings(
        np.arange(n) / 80.0, read % (2 * math.pi), load, None, TRAVEL, None, LENGTH, mount=mount
    )


def numbers_of(run: RollReadings) -> np.ndarray:
    found = measure(run)
    assert isinstance(found, Measured)
    return found.numbers


def test_four_quarter_turns_give_the_closed_form_of_the_multi_step_method() -> None:
    """Evans, Hocken & Estler 1996: what turns with the chuck is the mean over the mounts in its own frame."""
    rng = np.random.default_rng(1)
    mounts = [0.5 * math.pi * step for step in range(4)]
    runs = [
        rolled(rng, m, runout=0.002 * np.exp(0.4j), support=0.004 * np.exp(1.1j), seating=0.0004)
        for m in mounts
    ]
    read = [numbers_of(run) for run in runs]
    stiffness = np.mean([one[0] for one in read])
    runout = (
        np.mean([rotation(-m) @ one[1:3] for m, one in zip(mounts, read, strict=True)], axis=0) / stiffness
    )
    support = (
        np.mean([rotation(-2 * m) @ one[3:] for m, one in zip(mounts, read, strict=True)], axis=0) / stiffness
    )
    mounts_fit = fit_mounts(runs, chuck=guessed())
    assert mounts_fit.left_over == (4, 4)
    assert mounts_fit.chuck.values[:2] == pytest.approx(runout, abs=2e-5)
    assert mounts_fit.chuck.values[2:] == pytest.approx(support, abs=2e-5)
    # Left over at 1-per-turn: the seating, with noise and index mark hardly there.
    left = np.array([one[1:3] for one in read]) / stiffness
    left = left - left.mean(axis=0) - np.array([rotation(m) @ runout for m in mounts])
    assert mounts_fit.chuck.seating_m == pytest.approx(math.sqrt(np.sum(left**2) / 4), rel=0.1)
    assert mounts_fit.chuck.seating_dof == pytest.approx(4.0, abs=0.5)
    assert mounts_fit.result.bow is not None


@pytest.mark.parametrize(
    ("degrees", "left", "separated"),
    [
        ((0, 90, 180, 270), (4, 4), (True, True)),
        ((0, 120, 240), (2, 2), (True, True)),
        ((0, 72, 144, 216, 288), (6, 6), (True, True)),
        ((0, 180, 0, 180), (4, 6), (True, False)),
        ((0, 90), (0, 0), (True, True)),
    ],
)
def test_what_the_mounts_leave_over(
    degrees: tuple[int, ...], left: tuple[int, int], separated: tuple[bool, bool]
) -> None:
    """The design's table of mounts; Student's factors of 4, 2 and 6 are 2.78, 4.30 and 2.45."""
    rng = np.random.default_rng(2)
    found = fit_mounts([rolled(rng, math.radians(d), seating=0.0005) for d in degrees], chuck=guessed())
    assert found.left_over == left
    assert found.separated == separated
    if left[0]:
        assert found.chuck.seating_dof == pytest.approx(left[0], rel=0.15)
        assert found.chuck.dof == pytest.approx(left[0], rel=0.3)


def test_seating_is_the_variance_component_that_statsmodels_finds() -> None:
    """Five mounts, four runs in each without chucking anew: a random offset by mount and axis, by REML."""
    sm = pytest.importorskip("statsmodels.api", reason="statsmodels is in the dev extra")
    rng = np.random.default_rng(3)
    mounts = 2.0 * math.pi * np.arange(5) / 5.0
    bow, runout, seating, noise, runs = np.array([5.0, 2.0]), np.array([3.0, -2.0]), 1.5, 1.0, 4  # in mm
    rows, values, groups = [], [], []
    for at, mount in enumerate(mounts):
        offset = seating * rng.standard_normal(2)
        for _ in range(runs):
            for axis in (0, 1):
                rows.append(np.concatenate([np.eye(2)[axis], rotation(mount)[axis]]))
                seen = bow + rotation(mount) @ runout + offset
                values.append(seen[axis] + noise * rng.standard_normal())
                groups.append(2 * at + axis)
    mixed = sm.MixedLM(np.array(values), np.array(rows), groups=np.array(groups)).fit(reml=True)
    means = np.array(values).reshape(5, runs, 2).mean(axis=1)
    numbers = np.zeros((5, 5))
    numbers[:, 0], numbers[:, 1:3] = 1.0, 1e-3 * means
    noise_m2 = 1e-6 * mixed.scale / runs
    spread = np.diag([1e-6, noise_m2, noise_m2, 1e-6, 1e-6])
    design = np.zeros((5, 5, 9))
    design[:, :, :5] = np.eye(5)
    for at, mount in enumerate(mounts):
        design[at, 1:3, 5:7], design[at, 3:5, 7:] = rotation(mount), rotation(2.0 * mount)
    known = Known.of(None, 1.0, LENGTH, (True, True))
    model = MixedModel(numbers, np.repeat(spread[np.newaxis], 5, axis=0), design, known, 1.0)
    found, _, _ = model.scatter(6, None)
    assert 1e3 * found == pytest.approx(math.sqrt(mixed.cov_re[0, 0]), rel=0.02)
    fixed = model.solve(found, 0.0)[0]
    assert 1e3 * fixed[[1, 2, 5, 6]] == pytest.approx(mixed.fe_params, rel=1e-3)


def test_welch_satterthwaite_against_scipys_welch_test() -> None:
    """The degrees of freedom of a difference of two means are those of SciPy's Welch test."""
    rng = np.random.default_rng(4)
    a, b = rng.normal(0.0, 1.0, 5), rng.normal(0.0, 3.0, 9)
    parts = [Part(np.array([[x.var(ddof=1) / x.size]]), x.size - 1.0) for x in (a, b)]
    sigma, dof = Scatter(tuple(parts)).along(np.ones(1))
    welch = stats.ttest_ind(a, b, equal_var=False)
    assert dof == pytest.approx(welch.df)
    assert (a.mean() - b.mean()) / sigma == pytest.approx(welch.statistic)


def test_a_measured_chuck_is_taken_off_and_a_guessed_one_widens() -> None:
    rng = np.random.default_rng(5)
    chuck = {"runout": 0.003 * np.exp(2.0j), "support": 0.0075 * np.exp(0.3j)}
    calibrated = fit_mounts(
        [rolled(rng, 0.4 * math.pi * step, **chuck) for step in range(5)], chuck=guessed()
    ).chuck
    assert calibrated.runout_m == pytest.approx(0.003, abs=calibrated.runout_ci95_m())
    assert calibrated.support == pytest.approx(0.015, abs=calibrated.support_ci95())
    assert calibrated.support_plane == pytest.approx(0.15, abs=0.03)
    run = rolled(rng, 1.0, anisotropy=0.03, **chuck)
    without, taken = fit_roll(run), fit_roll(run, chuck=calibrated)
    assert without.stiff_plane is not None
    assert taken.stiff_plane is not None
    off = abs(difference(without.stiff_plane.value, 0.65, math.pi))
    assert off > 3.0 * without.stiff_plane.ci95  # the confident wrong answer
    assert abs(difference(taken.stiff_plane.value, 0.65, math.pi)) <= taken.stiff_plane.ci95


def test_half_widths_of_a_chuck_that_was_never_measured() -> None:
    """0.5 % of support turns a 2 % plane by half of asin(0.25) = 7.2°; with 2° of the index mark 7.5°."""
    result = fit_roll(rolled(np.random.default_rng(6), noise=0.002), chuck=guessed())
    assert result.stiff_plane is not None
    assert math.degrees(result.stiff_plane.ci95) == pytest.approx(7.5, abs=0.2)
    assert result.bow is not None
    assert result.bow.ci95 == pytest.approx(math.hypot(0.002, 0.001), rel=0.25)
    assert any("never measured" in said for said in result.warnings)
    small = fit_roll(rolled(np.random.default_rng(7), anisotropy=0.004, noise=0.002), chuck=guessed())
    assert not small.plane_found
    assert fit_roll(rolled(np.random.default_rng(7), anisotropy=0.004, noise=0.002)).plane_found


def test_support_between_an_uneven_edge_and_a_soft_chuck() -> None:
    """Constant, or ∝ k·L²: at twice the stiffness the middle is 1.5 times, the ends 0.5 away."""
    chuck = replace(NONE, values=np.array([0.001, 0.0, 0.002, 0.0]))
    seen = seen_by(chuck, 2.0 * K, LENGTH)
    assert seen.values == pytest.approx([0.001, 0.0, 0.003, 0.0])
    assert 1.96 * np.linalg.norm(seen.errors[2]) == pytest.approx(1.4 * 0.001, rel=1e-3)
    longer = seen_by(chuck, K / 4.0, 2.0 * LENGTH)
    assert longer.values == pytest.approx([0.002, 0.0, 0.002, 0.0])
    assert np.linalg.norm(longer.errors) < 1e-12


def test_two_blanks_marked_alike_share_the_chucks_error_wholly() -> None:
    rng = np.random.default_rng(8)
    alike = [fit_roll(rolled(rng, 1.0, noise=0.001), chuck=guessed()) for _ in range(2)]
    turned = fit_roll(rolled(rng, 1.0 + math.pi, toward=1.7, noise=0.001), chuck=guessed())
    shares = [
        next(share for share in result.bow.shares if share.cause == "chuck")
        for result in (*alike, turned)
        if result.bow is not None
    ]
    for share in shares:
        assert np.linalg.norm(share.along) == pytest.approx(share.ci95)
    assert np.array(shares[0].along) == pytest.approx(np.array(shares[1].along), abs=2e-4)
    assert np.array(shares[0].along) == pytest.approx(-np.array(shares[2].along), abs=2e-4)


def test_a_hanging_weight_sees_the_same_chuck() -> None:
    """y = W·C + u0 + e·cos(ψ − γ₁) − (W/k)(σ/200)·cos 2(ψ − γ₂), worked back to the five numbers."""
    n, weight, k = 1600, 2.0, 4.0
    way = np.concatenate([np.linspace(0.0, 4 * math.pi, n // 2), np.linspace(4 * math.pi, 0.0, n // 2)])
    mount, plane, anisotropy, bow, toward = 0.7, 0.65, 0.02, 0.003, 1.7
    true, runout, support = way + mount, 0.002, 0.01
    travel = weight / k * (1.0 - 0.5 * anisotropy * np.cos(2.0 * (true - plane))) + bow * np.cos(
        true - toward
    )
    travel += runout * np.cos(way - 0.4) - weight / k * 0.5 * support * np.cos(2.0 * (way - 0.9))
    travel += 5e-5 * np.random.default_rng(9).standard_normal(n)
    run = RollReadings(
        np.arange(n) / 80.0, true, None, travel, None, weight, LENGTH, contact="free", mount=mount
    )
    at = [runout * math.cos(0.4), runout * math.sin(0.4)]
    at += [0.5 * support * math.cos(1.8), 0.5 * support * math.sin(1.8)]
    result = fit_roll(run, chuck=replace(NONE, values=np.array(at), stiffness_N_per_m=k))
    assert result.stiff_plane is not None
    assert abs(difference(result.stiff_plane.value, plane, math.pi)) < math.radians(1.0)
    assert result.bow is not None
    assert result.bow.value == pytest.approx(bow, abs=3e-5)
    assert result.anisotropy is not None
    assert result.anisotropy.value == pytest.approx(anisotropy, rel=0.03)


def test_calibrations_pool_until_the_chuck_was_taken_apart() -> None:
    rng = np.random.default_rng(10)

    def calibrated(runout: complex) -> Chuck:
        return fit_mounts(
            [rolled(rng, 0.4 * math.pi * s, runout=runout, seating=0.0003) for s in range(5)], chuck=guessed()
        ).chuck

    same = [calibrated(0.002 + 0.001j) for _ in range(3)]
    found = pooled(same)
    assert (found.count, found.changed) == (3, False)
    assert found.chuck.seating_dof == pytest.approx(sum(one.seating_dof for one in same))
    assert found.chuck.runout_ci95_m() < 0.75 * same[-1].runout_ci95_m()
    apart = pooled([*same, calibrated(-0.002 + 0.003j)])
    assert (apart.count, apart.changed) == (1, True)


def test_half_widths_hold_the_truth_with_a_calibrated_chuck_and_one_mount() -> None:
    """Rigs and blanks drawn anew: 120 planes and bows; 95 of 100 are wanted."""
    rng = np.random.default_rng(11)
    hits: dict[str, list[bool]] = {"plane": [], "bow": [], "anisotropy": []}
    for _ in range(10):
        rig = {
            "runout": rng.uniform(0.0, 0.004) * np.exp(1j * rng.uniform(0.0, 6.28)),
            "support": 0.5 * rng.uniform(0.0, 0.015) * np.exp(1j * rng.uniform(0.0, 6.28)),
            "seating": rng.uniform(0.0002, 0.001),
            "index": math.radians(rng.uniform(0.5, 1.5)),
        }
        mounts = [rolled(rng, 0.4 * math.pi * s, anisotropy=0.005, bow=0.001, **rig) for s in range(5)]
        chuck = fit_mounts(mounts, chuck=guessed()).chuck
        for _ in range(12):
            blank = {"anisotropy": rng.uniform(0.01, 0.05), "plane": rng.uniform(0.0, math.pi)}
            blank |= {
                "bow": rng.uniform(0.001, 0.01),
                "toward": rng.uniform(0.0, 6.28),
                "k": rng.uniform(6, 24),
            }
            result = fit_roll(rolled(rng, rng.uniform(0.0, 6.28), **blank, **rig), chuck=chuck)
            if result.stiff_plane is not None:
                off = difference(result.stiff_plane.value, blank["plane"], math.pi)
                hits["plane"].append(abs(off) <= result.stiff_plane.ci95)
            assert result.bow is not None
            assert result.anisotropy is not None
            hits["bow"].append(abs(result.bow.value - blank["bow"]) <= result.bow.ci95)
            hits["anisotropy"].append(
                abs(result.anisotropy.value - blank["anisotropy"]) <= result.anisotropy.ci95
            )
    for name, held in hits.items():
        assert 0.90 <= np.mean(held) <= 1.0, name
    assert taken_off(np.array([K, 0.0, 0.0, 0.0, 0.0]), 0.0, LENGTH, NONE).numbers[1:] == pytest.approx(0.0)
