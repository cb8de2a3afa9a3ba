import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.line.clock import TickClock
from rig.line.record import Channel, Hello

US32 = {"tick_s": 1e-6, "tick_bits": 32, "interval_s": 0.0125}


@given(
    st.integers(8, 40),
    st.integers(0, 2**40),
    st.lists(st.integers(1, 10**6), min_size=1, max_size=50),
)
def test_time_is_what_the_unwrapped_tick_says_where_no_step_reaches_a_wrap(bits, begin, steps):
    clock = TickClock(1e-6, bits, 0.0125)
    true = begin
    clock.seconds(true % 2**bits)
    for step in steps:
        true += step % (2**bits)
        assert clock.seconds(true % 2**bits) == pytest.approx((true - begin) * 1e-6, abs=1e-12)


def test_the_tick_and_rate_of_a_hello_are_taken():
    clock = TickClock.of(Hello("b", (Channel("load", "N"),), 80.0, tick_us=4.0, tick_bits=16))
    assert clock.period_s == pytest.approx(0.262144)
    assert clock.interval_s == 0.0125


def test_a_microsecond_tick_of_32_bits_wraps_after_71_minutes_and_35_seconds():
    assert TickClock(**US32).period_s / 60.0 == pytest.approx(71.58, abs=0.005)


@pytest.mark.parametrize("silence_s", [0.5, 3600.0, 4300.0, 8000.0, 86_400.0, 20 * 86_400.0])
@pytest.mark.parametrize("lateness_s", [-0.5, 0.0, 2.0])
def test_whole_wraps_in_a_long_silence_are_told_from_the_host(silence_s, lateness_s):
    clock = TickClock(**US32)
    clock.seconds(1000, host_s=50.0)
    tick = (1000 + round(silence_s * 1e6)) % 2**32
    got = clock.seconds(tick, host_s=max(50.0, 50.0 + silence_s + lateness_s))
    assert got == pytest.approx(silence_s, abs=1e-6)


def test_a_board_clock_off_by_half_a_percent_does_not_mislead_it():
    clock = TickClock(**US32)
    clock.seconds(0, host_s=0.0)
    silence_s = 10 * 3600.0
    assert clock.seconds(round(silence_s * 1e6) % 2**32, host_s=silence_s * 1.005) == pytest.approx(silence_s)


def test_readings_that_waited_in_a_buffer_while_the_computer_slept_are_not_spread_out():
    clock = TickClock(**US32)
    clock.seconds(0, host_s=0.0)
    # two hours asleep; the first readings behind it were made just before
    assert clock.seconds(12_500, host_s=7200.0) == pytest.approx(0.0125)
    assert clock.seconds(25_000, host_s=7200.0) == pytest.approx(0.025)
    # then the buffer had overflowed: the sequence numbers do not account for this step
    tick = round(7200.0 * 1e6) % 2**32
    assert clock.seconds(tick, host_s=7200.1, lost=3000) == pytest.approx(7200.0)
    assert clock.wraps_guessed == 1


def test_a_tick_that_wraps_every_65_ms_survives_a_computer_that_is_late():
    clock = TickClock(1e-6, 16, 0.0125)
    clock.seconds(0, host_s=0.0)
    assert clock.seconds(12_500, host_s=1.0) == pytest.approx(0.0125)
    assert clock.seconds(37_500, host_s=1.5, lost=1) == pytest.approx(0.0375)
    assert clock.wraps_guessed == 0


def test_without_the_host_only_the_tick_counts():
    clock = TickClock(**US32)
    clock.seconds(0)
    assert clock.seconds(2**31) == pytest.approx(2147.483648)


def test_time_never_runs_back():
    clock = TickClock(**US32)
    clock.seconds(100, host_s=10.0)
    later = clock.seconds(200, host_s=9.0)
    assert later >= 0.0


def test_a_restart_begins_a_segment_and_time_goes_on_by_the_host():
    clock = TickClock(**US32)
    clock.seconds(5_000_000, host_s=10.0)
    clock.seconds(6_000_000, host_s=11.0)
    clock.restart()
    assert clock.seconds(40, host_s=13.5) == pytest.approx(1.0 + 2.5)
    assert clock.seconds(12_540, host_s=13.5) == pytest.approx(3.5125)
    assert clock.segment == 1


def test_a_restart_without_the_host_goes_on_by_one_interval():
    clock = TickClock(**US32)
    clock.seconds(0)
    clock.restart()
    assert clock.seconds(77) == pytest.approx(0.0125)


def test_a_restart_before_the_first_reading_changes_nothing():
    clock = TickClock(**US32)
    clock.restart()
    clock.restart()
    assert clock.seconds(77) == 0.0
    assert clock.segment == 0


def test_an_event_is_placed_before_or_after_the_latest_reading_also_over_a_wrap():
    clock = TickClock(**US32)
    clock.seconds(2**32 - 1_000_000)
    clock.seconds(500_000)
    assert clock.place(750_000) == pytest.approx(1.75)
    assert clock.place(2**32 - 500_000) == pytest.approx(0.5)
    assert clock.now_s == pytest.approx(1.5)


@pytest.mark.parametrize("wrong", [{"tick_s": 0.0}, {"interval_s": 0.0}, {"tick_bits": 0}])
def test_a_clock_that_cannot_be_is_refused(wrong):
    with pytest.raises(ValueError):
        TickClock(**(US32 | wrong))
