"""The bench against closed forms: loads, bow, friction, hysteresis, and counts that come back."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ellipk, ellipkinc

from analysis.bend.profile import Taper
from rig.virtual.bench import Bench
from rig.virtual.blanks import Blank
from rig.virtual.gear import Gear
from rig.virtual.truth import true_snaps, true_values

LENGTH, EI = 2.0, 12.0
EVEN = Blank("even", "Invented", LENGTH, Taper(LENGTH, EI, 1.0, 1.0))
BOWED = replace(
    EVEN,
    name="bowed",
    anisotropy=0.06,
    stiff_plane=math.radians(35.0),
    bow=0.02,
    bow_direction=math.radians(110.0),
    hysteresis=0.03,
)
QUIET = Gear().quiet()


def played(blank, step, gear=QUIET, *, rate=80, seed=1, mount_deg=0.0, **how):
    """All counts and the truth of one step."""
    bench = Bench([blank], gear, seed)
    bench.mount(blank.name, mount_deg)
    task = getattr(bench, step)(**how)
    return bench.sample(task.readings(rate), 1.0 / rate)


def a_for_travel(share):
    """F·L²/EI of a uniform cantilever at travel/L = share (elliptic integrals, Bisshopp & Drucker 1945)."""
    from scipy.optimize import brentq
    from scipy.special import ellipe, ellipeinc

    def parts(slope):
        m = 0.5 * (1.0 + math.sin(slope))
        phi = math.asin(1.0 / math.sqrt(2.0 * m))
        root = ellipk(m) - ellipkinc(phi, m)
        return root * root, 1.0 - 2.0 / root * (ellipe(m) - ellipeinc(phi, m))

    return parts(brentq(lambda slope: parts(slope)[1] - share, 0.01, 1.4, xtol=1e-14))[0]


def test_a_small_travel_gives_the_textbook_stiffness():
    _, truth = played(EVEN, "roll", travel_m=1e-3)
    assert truth.load == pytest.approx(3.0 * EI / LENGTH**3 * 1e-3, rel=1e-5)  # F = 3·EI·d/L³


@pytest.mark.parametrize("share", [0.1, 0.25, 0.4])
def test_a_large_travel_gives_the_load_of_the_elastica(share):
    _, truth = played(EVEN, "roll", travel_m=share * LENGTH)
    assert truth.load == pytest.approx(a_for_travel(share) * EI / LENGTH**2, rel=1e-7)


def test_the_published_load_at_a_known_travel_and_slope_comes_out_in_a_flex():
    # Mattiasson (1981), table 1: F·L²/EI = 1 gives w/L = 0.30172 and a tip slope of 0.46135
    _, truth = played(EVEN, "flex", travel_m=0.32 * LENGTH)
    up = truth.travel <= truth.travel.max()
    near = np.argmin(np.abs(truth.travel[up] - 0.30172 * LENGTH))
    slope = (truth.load[near + 1] - truth.load[near - 1]) / (truth.travel[near + 1] - truth.travel[near - 1])
    load = truth.load[near] + slope * (0.30172 * LENGTH - truth.travel[near])
    tip = np.interp(0.30172 * LENGTH, truth.travel[: near + 2], truth.tip[: near + 2])
    assert load * LENGTH**2 / EI == pytest.approx(1.0, abs=5e-5)
    assert tip == pytest.approx(0.46135, abs=2e-5)


def test_rolling_is_a_turning_stiffness_tensor_and_a_turning_bow():
    """The load along the pull, e·K·(d·e − u0), with the tensor written out as a matrix."""
    travel = 0.5
    _, truth = played(BOWED, "roll", travel_m=travel, mount_deg=70.0)
    mean = a_for_travel(travel / LENGTH) * EI / LENGTH**2 / travel
    c, s = math.cos(BOWED.stiff_plane), math.sin(BOWED.stiff_plane)
    axes = np.array([[c, -s], [s, c]])
    tensor = axes @ np.diag([mean * 1.03, mean * 0.97]) @ axes.T
    bow = 0.02 * np.array([math.cos(BOWED.bow_direction), math.sin(BOWED.bow_direction)])
    for chuck, load in list(zip(truth.chuck, truth.load, strict=True))[::50]:
        facing = np.array([math.cos(chuck + math.radians(70.0)), math.sin(chuck + math.radians(70.0))])
        assert load == pytest.approx(facing @ tensor @ (travel * facing - bow), rel=1e-7)


def test_a_flex_feels_the_side_that_faces_the_pull():
    # without hysteresis, stiffest over softest is (1 + A/2)/(1 − A/2)
    blank = replace(BOWED, hysteresis=0.0)
    stiff, soft = (played(blank, "flex", travel_m=0.5, roll_deg=side)[1].load.max() for side in (35.0, 125.0))
    assert stiff / soft == pytest.approx(1.03 / 0.97, rel=1e-9)


def test_hysteresis_is_loading_minus_unloading_over_the_mean():
    _, truth = played(BOWED, "flex", travel_m=0.7, roll_deg=0.0, unevenness=0.0)
    top = int(np.argmax(truth.travel))
    loading = np.interp(0.5, truth.travel[:top], truth.load[:top])
    unloading = np.interp(0.5, truth.travel[:top:-1], truth.load[:top:-1])
    assert (loading - unloading) / (0.5 * (loading + unloading)) == pytest.approx(0.03, rel=1e-3)
    assert truth.load[[0, -1]] == pytest.approx(0.0, abs=1e-12)


def test_friction_is_half_of_the_jump_between_the_two_directions():
    gear = replace(QUIET, friction_N=0.04)
    _, truth = played(EVEN, "roll", gear, travel_m=0.5, turns=(1.0, -1.0))
    half = truth.load.size // 2
    far = np.abs(truth.chuck - math.pi) < 1.0
    jump = truth.load[:half][far[:half]].mean() - truth.load[half:][far[half:]].mean()
    assert jump == pytest.approx(0.08, rel=1e-6)


def test_run_out_and_support_turn_with_the_chuck_and_not_with_the_blank():
    gear = replace(QUIET, runout_m=0.001, runout_direction=0.3, support=0.01, support_plane=1.0)
    (_, first), (_, second) = (
        played(BOWED, "roll", gear, travel_m=0.2, mount_deg=mount, unevenness=0.0, turns=(1.0,))
        for mount in (0.0, 180.0)
    )
    # two mounts half a turn apart: what is once per turn of the blank changes sign, the chuck's does not
    mean = 0.5 * (first.load + second.load)
    chuck = first.chuck
    design = np.column_stack(
        [np.ones_like(chuck)] + [f(k * chuck) for k in (1, 2, 3) for f in (np.cos, np.sin)]
    )
    fit = np.linalg.lstsq(design, mean, rcond=None)[0]
    once = math.atan2(-fit[2], -fit[1])
    stiffness = a_for_travel(0.1) * EI / LENGTH**2 / 0.2
    assert math.hypot(fit[1], fit[2]) == pytest.approx(stiffness * 0.001, rel=0.05)
    assert once == pytest.approx(0.3, abs=0.05)


def test_counts_come_back_to_the_truth_within_half_a_count():
    gear = replace(QUIET, angle_sign=-1, tip_sign=-1)
    for step, how in (("roll", {"turns": (2.3, -1.1)}), ("flex", {"roll_deg": 20.0})):
        counts, truth = played(BOWED, step, gear, travel_m=0.6, **how)
        per_turn = 4096 / (2.0 * math.pi)
        load = (counts.load - gear.load_zero_counts) * gear.load_N_per_count
        travel = (counts.travel - gear.travel_zero_counts) * gear.travel_m_per_count
        chuck = -(counts.angle - gear.angle_zero_counts) / per_turn
        tip = -(counts.tip - gear.tip_zero_counts) / per_turn
        assert load == pytest.approx(truth.load, abs=0.5001 * gear.load_N_per_count)
        assert travel == pytest.approx(truth.travel, abs=0.5001 * gear.travel_m_per_count)
        for read, true in ((chuck, truth.chuck), (tip, truth.tip)):
            off = (read - true + math.pi) % (2.0 * math.pi) - math.pi
            assert np.max(np.abs(off)) <= 0.5001 / per_turn
        assert counts.angle.min() >= 0
        assert counts.angle.max() <= 4095
    assert np.ptp(truth.chuck) == 0.0  # in a flex the chuck stands still


def test_a_known_weight_on_the_cell_reads_its_weight():
    bench = Bench([], QUIET)
    bench.still(1.0, hung_kg=0.5, travel_m=0.3)
    counts, _ = bench.sample(10, 0.1)
    load = (counts.load - QUIET.load_zero_counts) * QUIET.load_N_per_count
    assert load == pytest.approx(0.5 * 9.80665, abs=1e-5)
    assert (counts.travel - QUIET.travel_zero_counts) * QUIET.travel_m_per_count == pytest.approx(
        0.3, abs=3e-5
    )


def test_a_load_beyond_the_amplifier_stands_at_its_end_stop():
    bench = Bench([], QUIET)
    bench.still(1.0, hung_kg=20.0)
    counts, _ = bench.sample(3, 0.1)
    assert counts.load.tolist() == [8_388_607] * 3


def test_noise_has_the_size_and_the_memory_that_the_gear_says():
    gear = replace(QUIET, load_noise_N=0.012, load_wander_N=0.02, load_wander_s=0.25)
    bench = Bench([], gear, seed=11)
    bench.still(1e6)
    counts, _ = bench.sample(200_000, 1 / 80)
    load = (counts.load - gear.load_zero_counts) * gear.load_N_per_count
    load -= load.mean()
    lags = [float(np.mean(load[: load.size - k] * load[k:])) for k in (0, 1, 20)]
    assert lags[0] == pytest.approx(0.012**2 + 0.02**2, rel=0.03)
    assert lags[1] == pytest.approx(0.02**2 * math.exp(-1 / 20), rel=0.05)
    assert lags[2] == pytest.approx(0.02**2 * math.exp(-1.0), rel=0.1)


def test_drift_is_nothing_at_first_and_has_the_stated_size_after_a_minute():
    after = []
    for seed in range(300):
        sensors = Bench([], Gear(), seed)._task.sensors
        assert sensors.drift(np.array([0.0]))[0] == 0.0
        after.append(sensors.drift(np.array([60.0]))[0])
    # 300 draws: the rms itself is known to about 5 %
    assert math.sqrt(np.mean(np.square(after))) == pytest.approx(Gear().drift_N, rel=0.2)


def test_spikes_come_as_often_as_asked():
    bench = Bench([], replace(QUIET, spike_share=0.01), seed=2)
    bench.still(1e6)
    counts, _ = bench.sample(50_000, 1 / 80)
    spiked = np.abs(counts.load - QUIET.load_zero_counts) * QUIET.load_N_per_count > 0.7
    assert np.mean(spiked) == pytest.approx(0.01, abs=0.0018)  # 4 standard errors of 500 in 50,000


def test_the_amplifiers_delay_shows_the_load_of_a_moment_before():
    late, _ = played(BOWED, "roll", replace(QUIET, load_lag_s=0.1), rate=80, travel_m=0.5)
    prompt, _ = played(BOWED, "roll", QUIET, rate=80, travel_m=0.5)
    assert late.load[8:].tolist() == prompt.load[:-8].tolist()
    assert late.angle.tolist() == prompt.angle.tolist()


def test_the_same_seed_gives_the_same_counts_in_whatever_pieces():
    whole, _ = played(BOWED, "roll", Gear(), travel_m=0.5, seed=9)
    bench = Bench([EVEN, BOWED], Gear(), 9)
    bench.mount("even")
    bench.flex(0.3)
    bench.sample(5000, 1 / 80)  # another blank before, and idling after it
    bench.mount("bowed")
    bench.roll(0.5)
    sizes, left, parts = [1, 7, 200, 3], whole.load.size, []
    while left:
        sizes.append(sizes.pop(0))
        parts.append(bench.sample(min(sizes[-1], left), 1 / 80)[0])
        left -= parts[-1].load.size
    for channel in ("load", "angle", "travel", "tip"):
        pieced = np.concatenate([getattr(part, channel) for part in parts])
        assert pieced.tolist() == getattr(whole, channel).tolist()


def test_another_seed_and_another_mount_give_other_noise():
    first, _ = played(BOWED, "roll", Gear(), travel_m=0.5, seed=1)
    second, _ = played(BOWED, "roll", Gear(), travel_m=0.5, seed=2)
    assert np.mean(first.load == second.load) < 0.01
    bench = Bench([BOWED], Gear(), 1)
    bench.mount("bowed")
    bench.mount("bowed")
    bench.roll(0.5)
    third, _ = bench.sample(1000, 1 / 80)
    assert np.mean(first.load[:1000] == third.load) < 0.01


def test_steps_follow_one_another_and_the_hand_then_stays():
    bench = Bench([EVEN], QUIET)
    bench.mount("even")
    roll, flex = bench.roll(0.5, turns=(1.0,)), bench.flex(0.3)
    n = roll.readings(80) + flex.readings(80)
    assert bench.busy
    _, truth = bench.sample(n, 1 / 80)
    assert truth.travel[roll.readings(80) - 1] == 0.5
    assert truth.travel[roll.readings(80)] == 0.0
    assert roll.wait(0)
    assert flex.wait(0)
    assert not bench.busy
    _, after = bench.sample(100, 1 / 80)
    assert np.all(after.travel == 0.0)


@pytest.mark.parametrize(
    ("ask", "says"),
    [
        (lambda bench: bench.roll(0.5), "mount one first"),
        (lambda bench: bench.mount("nobody"), "no blank 'nobody'"),
        (lambda bench: (bench.mount("even"), bench.flex(1.2)), "further than half"),
    ],
)
def test_what_the_bench_cannot_do_is_said(ask, says):
    with pytest.raises(ValueError, match=says):
        ask(Bench([EVEN]))


def test_true_snaps_without_bow_are_the_two_ends_of_the_soft_plane():
    blank = replace(BOWED, bow=0.0)
    snaps = true_snaps(blank, 0.3)
    assert sorted(math.degrees(snap.angle) for snap in snaps) == pytest.approx([125.0, 305.0], abs=1e-3)
    # barrier: the whole swing of ½·A·cos 2x·∫F dy; at small travel ∫F dy = ½·3EI/L³·d²
    (small, _) = true_snaps(blank, 0.02)
    assert small.barrier == pytest.approx(0.06 * 0.5 * 3.0 * EI / LENGTH**3 * 0.02**2, rel=1e-3)


def test_a_strong_bow_leaves_one_true_snap_between_the_bow_and_the_soft_plane():
    # outside the astroid |h·cos ψ|^⅔ + |h·sin ψ|^⅔ = 1 (Stoner & Wohlfarth 1948); here h = bow/(d·A) > 1
    (snap,) = true_snaps(BOWED, 0.2)
    assert 110.0 < math.degrees(snap.angle) < 125.0


def test_true_values_of_an_even_blank_are_the_closed_forms():
    true = true_values(EVEN)
    assert true.reference_load == pytest.approx(a_for_travel(0.25) * EI / LENGTH**2, rel=1e-8)
    assert true.even_blank_rigidity == pytest.approx(EI, rel=1e-8)
    assert true.initial_stiffness == pytest.approx(3.0 * EI / LENGTH**3, rel=1e-8)
