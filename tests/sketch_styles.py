"""How sketches print: twenty-two styles, what each means, and readings to print with them.

The first eight are habits seen in public sketches (their comments lie about the baud rate, the text does
not); the next eight were invented while the sniffer was built; the last six were written before it saw them.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

RATE_HZ = 80.0


@dataclass(frozen=True)
class Sample:
    """One reading of the rig, as a sketch has it."""

    number: int
    t_s: float
    grams: float
    counts: int
    deg: float
    angle_counts: int


@dataclass(frozen=True)
class Style:
    """One way to print."""

    name: str
    line: Callable[[Sample], str]
    means: dict[str, tuple[int, str]]
    """Quantity → column among all numbers of a reading, and its unit."""
    asked: tuple[str, ...] = ()
    """Quantities that the text cannot tell: a question must stand in for them."""
    banner: str = ""
    seconds: bool = True
    """Whether the sniffer is told how long it listened."""


def samples(count: int = 200, seed: int = 1, rate_hz: float = RATE_HZ) -> list[Sample]:
    """A slow roll of a bent blank."""
    rng = np.random.default_rng(seed)
    out = []
    for k in range(count):
        t = k / rate_hz
        deg = (20.0 + 40.0 * t) % 360.0
        grams = 450.0 + 9.0 * math.cos(math.radians(2.0 * deg - 50.0)) + 0.2 * rng.standard_normal()
        out.append(
            Sample(k, 3.2 + t, grams, round(84000 + 203 * grams), deg, round(deg / 360.0 * 4096) % 4096)
        )
    return out


SEEN = (
    Style("labelled raw", lambda s: f"HX711 reading: {s.counts}", {"load": (0, "counts")},
          banner="HX711 demo\n"),
    Style("units and delta", lambda s: f"UNITS: {s.grams:.2f}\t\tDELTA: 0.1", {"load": (0, "?")}, ("unit",)),
    Style("output val", lambda s: f"Load_cell output val: {s.grams:.2f}", {"load": (0, "?")}, ("unit",)),
    Style("read tab", lambda s: f"read: \t{s.counts}", {"load": (0, "counts")}),
    Style("bare number", lambda s: f"{s.counts}", {}, ("load",)),
    Style("millis tab angle tab degrees",
          lambda s: f"{round(s.t_s * 1e3)}\t{s.angle_counts}\t{s.deg:.2f}", {"time": (0, "ms")}, ("angle",)),
    Style("heading ms,raw,pos,speed",
          lambda s: f"{round(s.t_s * 1e3)},{s.counts},{s.angle_counts},40.0",
          {"time": (0, "ms"), "load": (1, "counts"), "angle": (2, "counts")}, banner="ms,raw,pos,speed\n"),
    Style("micros and a suffix",
          lambda s: f"{round(s.t_s * 1e6)},{s.angle_counts / 4096 * 5:.3f},1.20,{s.grams:.2f}g",
          {"time": (0, "us"), "load": (3, "g")}),
    Style("load and angle", lambda s: f"Load: {s.grams:.1f} g, Angle: {s.deg:.1f}",
          {"load": (0, "g"), "angle": (1, "deg")}),
    Style("decimal comma", lambda s: f"Last: {s.grams:.2f} g; Winkel: {s.deg:.1f} deg".replace(".", ","),
          {"load": (0, "g"), "angle": (1, "deg")}),
    Style("json", lambda s: f'{{"t":{round(s.t_s * 1e3)},"load":{s.grams:.2f},"angle":{s.deg:.2f}}}',
          {"time": (0, "ms"), "load": (1, "?"), "angle": (2, "deg")}, ("unit",)),
    Style("letters", lambda s: f"T{round(s.t_s * 1e3)} F{s.grams / 101.97:.4f}N A{s.deg:.1f}",
          {"time": (0, "ms"), "load": (1, "N"), "angle": (2, "deg")}),
    Style("two lines", lambda s: f"Weight: {s.grams:.1f} g\nAngle: {s.deg:.1f} deg",
          {"load": (0, "g"), "angle": (1, "deg")}),
    Style("equals and bars", lambda s: f"force={s.grams / 101.97:.3f} N | angle={s.deg:.2f} deg | temp=21.5",
          {"load": (0, "N"), "angle": (1, "deg")}),
    Style("status in hex", lambda s: f"STATUS:\t {0x20:x}\tANGLE:\t {s.angle_counts}\tLOAD:\t {s.counts}",
          {"angle": (1, "counts"), "load": (2, "counts")}),
    Style("plotter", lambda s: f"load:{s.counts},angle:{s.angle_counts}",
          {"load": (0, "counts"), "angle": (1, "counts")}),
)  # fmt: skip

HELD_OUT = (
    Style("seconds with a unit", lambda s: f"{s.t_s:.3f} s  {s.grams:.1f} g  {s.deg:.1f} deg",
          {"time": (0, "s"), "load": (1, "g"), "angle": (2, "deg")}),
    Style("brackets and check", lambda s: f"<{s.number},weight={s.grams / 1000:.4f}kg,pos={s.deg:.1f}deg>*4F",
          {"load": (1, "kg"), "angle": (2, "deg")}),
    Style("semicolons, heading with words",
          lambda s: f"{round(s.t_s * 1e3)};{s.deg:.1f};{s.grams:.2f}",
          {"time": (0, "ms"), "angle": (1, "deg"), "load": (2, "?")}, ("unit",), banner="time;angle;load\n"),
    Style("ounces", lambda s: f"scale reads {s.grams / 28.35:.3f} oz at angle {s.deg:.0f}",
          {"load": (0, "oz")}, ("angle",)),
    Style("three bare columns", lambda s: f"{s.number} {s.counts} {s.angle_counts}", {}, ("load",)),
    Style("uptime label", lambda s: f"ms: {round(s.t_s * 1e3)}, raw: {s.counts}, deg: {s.deg:.2f}, ok: 1",
          {"time": (0, "ms"), "load": (1, "counts"), "angle": (2, "deg")}),
)  # fmt: skip


def printed(style: Style, count: int = 200, seed: int = 1) -> bytes:
    """What such a sketch sends, attached to in mid-line."""
    text = style.banner + "".join(style.line(sample) + "\r\n" for sample in samples(count, seed))
    return text.encode("utf-8")
